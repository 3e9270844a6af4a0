package core

import (
	"strings"
	"testing"

	"dewline/configs"
)

// The journal says that an address or a header changed, and not what it holds.
func TestChangesOf_HidesSecrets(t *testing.T) {
	one := func(url, header, beat string) *configs.Config {
		return &configs.Config{
			Webhooks: []configs.Webhook{{ID: "push", URL: url, Headers: map[string]string{"Authorization": header}, MediaType: "text/plain"}},
			Outside:  configs.Outside{URL: beat},
		}
	}
	changes := changesOf(one("https://a/s3cr3t1", "s3cr3t2", "https://b/s3cr3t3"), one("https://a/s3cr3t4", "s3cr3t5", "https://b/s3cr3t6"))
	var keys []string
	for _, c := range changes {
		keys = append(keys, c.key)
		if strings.Contains(c.old+c.new, "s3cr3t") {
			t.Errorf("%+v holds a secret", c)
		}
	}
	if got := strings.Join(keys, " "); got != "webhook.push.url webhook.push.headers heartbeat.url" {
		t.Errorf("changed: %s", got)
	}
}
