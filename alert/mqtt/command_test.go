package mqtt

import (
	"encoding/json"
	"fmt"
	"os/exec"
	"reflect"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"dewline/alert"
)

// robinsKey signs in these tests.
const robinsKey = "0123456789abcdef0123456789abcdef"

// A clock that a test sets.
func fixedClock(t time.Time, set bool) func() (time.Time, bool) {
	return func() (time.Time, bool) { return t, set }
}

func testDoor(o Options) *door {
	o.Room = "den"
	if o.Keys == nil {
		o.Keys = map[string][]byte{"robin": []byte(robinsKey)}
	}
	return newDoor(&o)
}

func signed(t *testing.T, s Signed) []byte {
	t.Helper()
	s.By = "robin"
	s.Sign("den", []byte(robinsKey))
	b, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestParseCommand(t *testing.T) {
	const ok = `{"token":"sesame","by":"una","action":`
	tests := []struct{ name, payload, want string }{
		{"acknowledge a notice", ok + `"acknowledge","notice":"a/b/1"}`, ""},
		{"acknowledge an alarm", ok + `"acknowledge","alarm":"above-band","subject":"e1","seq":4}`, ""},
		{"shelve", ok + `"shelve","alarm":"above-band","subject":"e1","minutes":15,"why":"door open","one_shot":true}`, ""},
		{"unshelve", ok + `"unshelve","subject":"e1"}`, ""},
		{"out of service", ok + `"out-of-service","subject":"e1","minutes":1440}`, ""},
		{"put on duty", ok + `"duty","subject":"odo","minutes":480}`, ""},
		{"put on duty until", ok + `"duty","subject":"odo","until":"2026-12-24T18:00:00Z"}`, ""},
		{"end a duty", ok + `"duty-over"}`, ""},
		{"put nobody on duty", ok + `"duty","minutes":480}`, "needs a subject"},
		{"put on duty for ever", ok + `"duty","subject":"odo"}`, "needs minutes"},
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
	d := testDoor(Options{Token: "sesame", TokenFor: TokenAll})
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := d.admit([]byte(tt.payload))
			if tt.want == "" && err != nil || tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)) {
				t.Errorf("error %v, want %q", err, tt.want)
			}
		})
	}
	if _, err := testDoor(Options{TokenFor: TokenAll}).admit([]byte(`{"token":"","action":"unshelve","subject":"e1"}`)); err == nil {
		t.Error("with no token set, an empty one opens")
	}
}

// What the token opens: everything only where the configuration says so.
func TestDoor_Token(t *testing.T) {
	answer, shelve := []byte(`{"token":"sesame","action":"acknowledge","notice":"a/b/1"}`), []byte(`{"token":"sesame","action":"shelve","subject":"e1","minutes":5}`)
	for _, c := range []struct {
		use             string
		answers, shelve bool
	}{
		{"", true, false}, {TokenAnswers, true, false}, {TokenAll, true, true}, {TokenNothing, false, false},
	} {
		d := testDoor(Options{Token: "sesame", TokenFor: c.use})
		if _, err := d.admit(answer); (err == nil) != c.answers {
			t.Errorf("use %q: an answer: %v", c.use, err)
		}
		_, err := d.admit(shelve)
		if (err == nil) != c.shelve || err != nil && !strings.Contains(err.Error(), "sign it with a command key") {
			t.Errorf("use %q: a shelf: %v", c.use, err)
		}
	}
}

// A signed command is taken once, near its time, for its room and as it was
// signed; the answer to a version of a notice needs no time.
func TestDoor_Signed(t *testing.T) {
	now := time.Now()
	shelf := Signed{Command: alert.Command{ID: "1", Action: "shelve", Alarm: "above-band", Subject: "e1", Minutes: 30, Why: "cleaning"}, Time: now}
	answer := Signed{Command: alert.Command{Action: "acknowledge", Notice: "den/1", Version: 2}}
	with := func(s Signed, change func(*Signed)) Signed { change(&s); return s }
	for _, c := range []struct {
		name string
		s    Signed
		want string
	}{
		{"a shelf", shelf, ""},
		{"an answer", answer, ""},
		{"an answer that names no version", with(answer, func(s *Signed) { s.Version = 0 }), "needs an id and the time"},
		{"one with id and time", with(answer, func(s *Signed) { s.Version, s.ID, s.Time = 0, "2", now }), ""},
		{"no time", with(shelf, func(s *Signed) { s.Time = time.Time{} }), "needs an id and the time"},
		{"no id", with(shelf, func(s *Signed) { s.ID = "" }), "needs an id and the time"},
		{"old", with(shelf, func(s *Signed) { s.Time = now.Add(-121 * time.Second) }), "off by 2m1s"},
		{"from the future", with(shelf, func(s *Signed) { s.Time = now.Add(3 * time.Minute) }), "off by"},
		{"of before the start", with(shelf, func(s *Signed) { s.Time = now.Add(-time.Minute) }), "older than dewline's start"},
		{"a nonce that never was", with(shelf, func(s *Signed) { s.Nonce = "x" }), "nonce"},
		{"two lines", with(shelf, func(s *Signed) { s.Why = "a\nminutes 5" }), "control characters"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := testDoor(Options{Now: fixedClock(now, true)})
			payload := signed(t, c.s)
			cmd, err := d.admit(payload)
			if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
				t.Fatalf("%v, want %q", err, c.want)
			}
			if err != nil {
				return
			}
			if cmd.By != "robin" || cmd.Token != "" {
				t.Errorf("got through: %+v", cmd)
			}
			if _, err := d.admit(payload); err == nil {
				t.Error("taken twice")
			}
		})
	}
	d := testDoor(Options{Now: fixedClock(now, true)})
	for _, changed := range []string{
		strings.Replace(string(signed(t, shelf)), `"minutes":30`, `"minutes":300`, 1),
		strings.Replace(string(signed(t, shelf)), `"robin"`, `"sam"`, 1),
		strings.Replace(string(signed(t, shelf)), `"why":"cleaning",`, ``, 1),
	} {
		if _, err := d.admit([]byte(changed)); err == nil {
			t.Errorf("taken though it was changed: %s", changed)
		}
	}
	d.opt.Room = "other"
	if _, err := d.admit(signed(t, shelf)); err == nil {
		t.Error("one for another room was taken")
	}
}

// While the clock is unset the nonce of the status topic takes the time's place,
// each once.
func TestDoor_Nonce(t *testing.T) {
	d := testDoor(Options{Now: fixedClock(time.Unix(0, 0), false)})
	s := Signed{Command: alert.Command{ID: "1", Action: "unshelve", Subject: "e1"}, Time: time.Now()}
	if _, err := d.admit(signed(t, s)); err == nil || !strings.Contains(err.Error(), "clock is not set") {
		t.Errorf("by its time: %v", err)
	}
	s.Time, s.Nonce = time.Time{}, d.present()
	payload := signed(t, s)
	if _, err := d.admit(payload); err != nil {
		t.Errorf("by the nonce: %v", err)
	}
	if _, err := d.admit(payload); err == nil || d.present() == s.Nonce {
		t.Error("the nonce opens twice")
	}
}

// Memory of what was taken has an end, and forgets the oldest first.
func TestDoor_TakenHasAnEnd(t *testing.T) {
	d := testDoor(Options{})
	for i := range 3 * mostTaken {
		if err := d.take(fmt.Sprint(i)); err != nil {
			t.Fatal(err)
		}
	}
	if len(d.taken) > mostTaken || d.take(fmt.Sprint(3*mostTaken-1)) == nil {
		t.Errorf("%d are remembered; the newest is taken twice", len(d.taken))
	}
}

// The recipe of the README: HMAC-SHA256 by openssl, which is no part of dewline.
func TestSigned_ByOpenSSL(t *testing.T) {
	tool, err := exec.LookPath("openssl")
	if err != nil {
		t.Skip("openssl is not installed")
	}
	s := Signed{Command: alert.Command{ID: "7", Action: "shelve", Alarm: "above-band", Subject: "nursery", Minutes: 30, By: "robin"},
		Time: time.Date(2026, 11, 28, 21, 0, 0, 0, time.FixedZone("", 3600))}
	const text = "room den\nid 7\ntime 2026-11-28T20:00:00Z\naction shelve\nalarm above-band\nsubject nursery\nminutes 30\nby robin\n"
	if got := s.Text("den"); got != text {
		t.Errorf("signed is %q, want %q", got, text)
	}
	cmd := exec.Command(tool, "dgst", "-sha256", "-hmac", robinsKey, "-r")
	cmd.Stdin = strings.NewReader(text)
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	s.Sign("den", []byte(robinsKey))
	if want, _, _ := strings.Cut(string(out), " "); s.Signature != want {
		t.Errorf("signature %s, openssl makes %s", s.Signature, want)
	}
}

// Whoever carries a command changes nothing of it: each field but the token, which
// is no part of a signed one, is signed.
func TestSigned_EachFieldCounts(t *testing.T) {
	kind := reflect.TypeFor[alert.Command]()
	for i := range kind.NumField() {
		s := Signed{Command: alert.Command{Action: "shelve"}}
		before := s.Text("den")
		switch f := reflect.ValueOf(&s.Command).Elem().Field(i); f.Interface().(type) {
		case string:
			f.SetString("other")
		case bool:
			f.SetBool(true)
		case int:
			f.SetInt(3)
		case uint64:
			f.SetUint(3)
		case float64:
			f.SetFloat(3)
		case time.Time:
			f.Set(reflect.ValueOf(time.Date(2026, 11, 28, 21, 0, 0, 0, time.UTC)))
		default:
			t.Fatalf("%s is of a kind that this test cannot set", kind.Field(i).Name)
		}
		if name := kind.Field(i).Name; (s.Text("den") == before) != (name == "Token") {
			t.Errorf("%s: signed is %q", name, s.Text("den"))
		}
	}
}

// Whatever arrives, only a command with the right token or signature and a sound
// form gets through, and what is echoed stays short and valid text.
func FuzzCommand(f *testing.F) {
	f.Add([]byte(`{"token":"sesame","action":"acknowledge","notice":"a/b/1","id":"r1"}`))
	f.Add([]byte(`{"token":"sesame","action":"shelve","subject":"e1","minutes":15}`))
	f.Add([]byte(`{"token":"x","action":"shelve"}`))
	f.Add([]byte(`{"signature":"00","by":"robin","action":"shelve","subject":"e1","minutes":15,"time":"2026-11-28T20:00:00Z"}`))
	f.Add([]byte(`{"id":"` + strings.Repeat("é", 150) + `"}`))
	f.Fuzz(func(t *testing.T, payload []byte) {
		c, err := testDoor(Options{Token: "sesame", TokenFor: TokenAll}).admit(payload)
		if len(c.ID) > alert.MaxWord || !utf8.ValidString(c.ID) {
			t.Errorf("id to echo: %q", c.ID)
		}
		if c.Token != "" {
			t.Error("the token was passed on")
		}
		if err != nil {
			return
		}
		if !strings.Contains(string(payload), "sesame") && !strings.Contains(string(payload), `\u`) || len(payload) > maxCommand || c.Minutes < 0 || c.Check() != nil {
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
