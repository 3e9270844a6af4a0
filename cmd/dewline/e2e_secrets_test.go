package main

import (
	"fmt"
	"strings"
	"testing"

	"dewline/rules/alarm"
)

// Secrets that are missing at the very first start leave out their parts, each
// with a clear word; the watch and the rest go on.
func TestEndToEnd_MissingSecrets(t *testing.T) {
	t.Parallel()
	s := newSite(t, "moss", "fern")
	b := newMosquitto(t, s)
	phone := b.listen()
	text := strings.NewReplacer(
		fmt.Sprintf("token_file = %q\n\n[store]", s.path("token")), "token_file = \"page-token\"\n\n[store]",
		fmt.Sprintf("command_token_file = %q", s.path("token")), "command_token_file = \"command-token\"",
	).Replace(s.text())
	s.write("dewline.toml", text+"\n[mail]\nhost = \"127.0.0.1\"\nfrom = \"den@example.org\"\nusername = \"den\"\npassword_file = \"mail-password\"\n"+
		"\n[[person]]\nid = \"other\"\nchannels = [\"mail\"]\nmail_to = \"other@example.org\"\n")
	s.write("credentials/none", "")
	p := s.resume("CREDENTIALS_DIRECTORY=" + s.path("credentials"))
	snap := s.ready(p)
	a := s.state(alarm.ConfigRefused, "secrets", "UNACK")
	for _, want := range []string{"every command over MQTT is refused", "nothing can be answered on the page", "there is no file", "/etc/dewline/secrets"} {
		if !strings.Contains(a.Text, want) {
			t.Errorf("the alarm says %q, want %q", a.Text, want)
		}
	}
	eventually(t, "the mail channel says why it is left out", func() bool {
		snap, _ = s.room()
		c := snap.Delivery.Channels["mail"]
		return c.Connected != nil && !*c.Connected && strings.Contains(c.DownWhy, "mail-password")
	})
	// Without the command token the broker still carries notices.
	s.overheat("moss", 30.2)
	phone.notice(alarm.LethalLimit, "moss")

	if code := p.stop(); code != exitOK {
		t.Errorf("exit %d", code)
	}
	for _, name := range []string{"page-token", "command-token", "mail-password"} {
		s.write("credentials/secrets_"+name, "now-it-is-there\n")
	}
	s.ready(s.resume("CREDENTIALS_DIRECTORY=" + s.path("credentials")))
	eventually(t, "the alarm is no longer active", func() bool {
		snap, ok := s.room()
		a, open := alarmIn(snap, alarm.ConfigRefused, "secrets")
		return ok && (!open || !a.Active)
	})
}
