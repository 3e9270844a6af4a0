package mqtt

import (
	"strings"
	"testing"
	"unicode/utf8"
)

func TestParseCommand(t *testing.T) {
	const ok = `{"token":"sesame","by":"una","action":`
	tests := []struct{ name, payload, want string }{
		{"acknowledge a notice", ok + `"acknowledge","notice":"a/b/1"}`, ""},
		{"acknowledge an alarm", ok + `"acknowledge","alarm":"above-band","subject":"e1","seq":4}`, ""},
		{"shelve", ok + `"shelve","alarm":"above-band","subject":"e1","minutes":15,"why":"door open","one_shot":true}`, ""},
		{"unshelve", ok + `"unshelve","subject":"e1"}`, ""},
		{"out of service", ok + `"out-of-service","subject":"e1","minutes":1440}`, ""},
		{"acknowledge nothing", ok + `"acknowledge"}`, "needs a notice"},
		{"shelve nothing", ok + `"shelve","minutes":5}`, "needs a subject"},
		{"shelve for ever", ok + `"shelve","subject":"e1"}`, "needs minutes"},
		{"shelve backwards", ok + `"shelve","subject":"e1","minutes":-5}`, "minutes must lie"},
		{"shelve too long", ok + `"shelve","subject":"e1","minutes":1e9}`, "minutes must lie"},
		{"unknown action", ok + `"silence","subject":"e1"}`, "unknown action"},
		{"misspelt field", ok + `"acknowledge","subjet":"e1"}`, "unknown field"},
		{"two commands", ok + `"acknowledge","notice":"a"}{}`, "followed by something else"},
		{"wrong type", ok + `7}`, "not the JSON object"},
		{"null", `null`, "token refused"},
		{"empty", ``, "not the JSON object"},
		{"array", `[]`, "not the JSON object"},
		{"long id", `{"token":"sesame","action":"unshelve","subject":"e1","id":"` + strings.Repeat("x", 300) + `"}`, "longer than 200"},
		{"long why", ok + `"unshelve","subject":"e1","why":"` + strings.Repeat("x", 1100) + `"}`, "why is longer"},
		{"prefix of the token", `{"token":"sesam","action":"unshelve","subject":"e1"}`, "token refused"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := parseCommand([]byte(tt.payload), "sesame")
			if tt.want == "" && err != nil || tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)) {
				t.Errorf("error %v, want %q", err, tt.want)
			}
		})
	}
	if _, err := parseCommand([]byte(`{"token":"","action":"unshelve","subject":"e1"}`), ""); err == nil {
		t.Error("with no token set, an empty one opens")
	}
}

// Whatever arrives, only a command with the right token and a sound form gets
// through, and what is echoed stays short and valid text.
func FuzzCommand(f *testing.F) {
	f.Add([]byte(`{"token":"sesame","action":"acknowledge","notice":"a/b/1","id":"r1"}`))
	f.Add([]byte(`{"token":"sesame","action":"shelve","subject":"e1","minutes":15}`))
	f.Add([]byte(`{"token":"x","action":"shelve"}`))
	f.Add([]byte("\x00retained"))
	f.Add([]byte(`{"id":"` + strings.Repeat("é", 150) + `"}`))
	f.Fuzz(func(t *testing.T, payload []byte) {
		c, err := parseCommand(payload, "sesame")
		if len(c.ID) > maxWord || !utf8.ValidString(c.ID) {
			t.Errorf("id to echo: %q", c.ID)
		}
		if err != nil {
			return
		}
		if c.Token != "sesame" || len(payload) > maxCommand || c.Minutes < 0 || c.Minutes > maxMinutes {
			t.Errorf("got through: %+v", c)
		}
		if c.Action == "shelve" && c.Minutes == 0 {
			t.Error("a shelf without end got through")
		}
		if c.Notice == "" && c.Subject == "" {
			t.Error("a command about nothing got through")
		}
	})
}
