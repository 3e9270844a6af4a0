package configs

import (
	"bytes"
	"strings"
	"testing"
)

// What may hold a secret is hidden wherever TOML lets it stand, and nothing else;
// what differs still does.
func TestMasked(t *testing.T) {
	const text = `# a comment stays
[room]
id = "attic"
[[webhook]]
id = "push"
url = "https://push.example.org/s3cr3t-path?token=s3cr3t-query" # the way
headers = { Authorization = 'Bearer s3cr3t-one', "X-A" = "s3cr3t-two" }
template = """
{"token":"s3cr3t-three"}"""
[[webhook]]
id = "other"
"url" = "https://s3cr3t-user@push.example.org"
headers.X-B = "s3cr3t-four"
[webhook.header_files]
X-C = "a-file"
[heartbeat]
url = 'https://watch.example.org/s3cr3t-five'
`
	got := string(Masked([]byte(text)))
	if strings.Contains(got, "s3cr3t") {
		t.Errorf("a secret is left:\n%s", got)
	}
	for _, stays := range []string{"# a comment stays", "id = \"attic\"", "https://push.example.org/hidden-", "# the way", "\"a-file\"", "https://watch.example.org/hidden-"} {
		if !strings.Contains(got, stays) {
			t.Errorf("%q is gone:\n%s", stays, got)
		}
	}
	again := Masked([]byte(strings.Replace(text, "s3cr3t-two", "s3cr3t-new", 1)))
	if bytes.Equal(again, []byte(got)) {
		t.Error("another secret makes no difference")
	}
	if !bytes.Equal(Masked([]byte(got)), Masked(Masked([]byte(text)))) {
		t.Error("not the same each time")
	}
	for name, data := range map[string][]byte{"example": exampleTOML, "demo": Demo()} {
		before, err := Decode(name, data, testFamilies)
		if err != nil {
			t.Fatal(err)
		}
		after, err := Decode(name, Masked(data), testFamilies)
		if err != nil || len(after.Probes) != len(before.Probes) || len(after.Webhooks) != len(before.Webhooks) {
			t.Errorf("%s cannot be read when masked: %v", name, err)
		}
	}
	if Masked([]byte("[room")) != nil {
		t.Error("a text that is no TOML is passed on")
	}
}

// No fault repeats what may be a secret.
func TestFaultsHideSecrets(t *testing.T) {
	for _, line := range []string{
		`url = "htps://push.example.org/s3cr3t"`, `url = "https:///s3cr3t"`, `url = "https://push.example.org:99999/s3cr3t"`,
		`url = "https://s3cr3t@push.example.org/"`, `url = "https://push.example.org/%zzs3cr3t"`,
		"url = \"https://push.example.org/\"\nheaders = { \"a b\" = \"s3cr3t\" }",
	} {
		text := strings.Replace(string(exampleTOML), `url = "https://push.example.org/attic"`, line, 1)
		_, err := Decode("f", []byte(text), testFamilies)
		if err == nil || strings.Contains(err.Error(), "s3cr3t") {
			t.Errorf("%s: %v", line, err)
		}
	}
}
