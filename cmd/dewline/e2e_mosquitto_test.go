package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"dewline/alert/wire"
	realbroker "dewline/sensors/remote/mosquitto"

	"dewline/alert"
	"dewline/rules/alarm"
)

// A mosquitto is Debian's broker on a loopback port.
type mosquitto struct {
	t *testing.T
	*realbroker.Broker
}

// newMosquitto starts a broker that keeps its queue over a stop, as the README
// advises for a phone that is away.
func newMosquitto(t *testing.T, s *site) *mosquitto {
	t.Helper()
	b := &mosquitto{t, realbroker.New(t, "persistence true", "persistence_location "+s.dir+"/",
		"autosave_on_changes true", "autosave_interval 1", "max_queued_messages 0")}
	for _, tool := range []string{"mosquitto_sub", "mosquitto_pub"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("%s is not installed; the tests against a real broker are left out", tool)
		}
	}
	b.Start()
	s.broker = b.URL()
	return b
}

// publish sends one message with the broker's own tool.
func (b *mosquitto) publish(topic, payload string, retain bool) {
	b.t.Helper()
	args := []string{"-h", "127.0.0.1", "-p", fmt.Sprint(b.Port()), "-q", "1", "-t", topic, "-m", payload}
	if payload == "" {
		args = append(args[:len(args)-2], "-n")
	}
	if retain {
		args = append(args, "-r")
	}
	if out, err := exec.Command("mosquitto_pub", args...).CombinedOutput(); err != nil {
		b.t.Fatalf("mosquitto_pub: %v\n%s", err, out)
	}
}

// A heard message as the phone got it.
type heard struct{ topic, payload string }

// A listener is mosquitto_sub with a session that the broker keeps.
type listener struct {
	t   *testing.T
	mu  sync.Mutex // guards got
	got []heard
}

// listen subscribes to everything of the room.
func (b *mosquitto) listen() *listener {
	b.t.Helper()
	cmd := exec.Command("mosquitto_sub", "-h", "127.0.0.1", "-p", fmt.Sprint(b.Port()), "-c", "-i", "phone", "-q", "1",
		"-t", "dewline/den/#", "-F", "%t\t%p")
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		b.t.Fatal(err)
	}
	l := &listener{t: b.t}
	var done sync.WaitGroup
	done.Go(func() {
		lines := bufio.NewScanner(out)
		lines.Buffer(nil, 1<<20)
		for lines.Scan() {
			topic, payload, _ := strings.Cut(lines.Text(), "\t")
			l.mu.Lock()
			l.got = append(l.got, heard{strings.TrimPrefix(topic, "dewline/den/"), payload})
			l.mu.Unlock()
		}
	})
	b.t.Cleanup(func() {
		_ = cmd.Process.Kill()
		done.Wait()
		_ = cmd.Wait()
		if b.t.Failed() {
			b.t.Logf("the phone heard:\n%v", l.all())
		}
	})
	return l
}

func (l *listener) all() []heard {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]heard(nil), l.got...)
}

// last returns the newest payload of a topic.
func (l *listener) last(topic string) (string, bool) {
	all := l.all()
	for i := len(all) - 1; i >= 0; i-- {
		if all[i].topic == topic {
			return all[i].payload, true
		}
	}
	return "", false
}

// shows waits until the newest payload of a topic holds want.
func (l *listener) shows(topic, want string) string {
	l.t.Helper()
	var got string
	eventually(l.t, fmt.Sprintf("%q on %s", want, topic), func() bool {
		var ok bool
		got, ok = l.last(topic)
		return ok && strings.Contains(got, want)
	})
	return got
}

// notices returns the notices that told of an alarm, oldest first.
func (l *listener) notices(id alarm.ID, subject string) []alert.Message {
	l.t.Helper()
	var out []alert.Message
	for _, h := range l.all() {
		if h.topic != "notice" {
			continue
		}
		var m alert.Message
		decode(l.t, h.payload, &m)
		for _, a := range m.Alarms {
			if a.Alarm == id && a.Subject == subject {
				out = append(out, m)
			}
		}
	}
	return out
}

// notice waits for the first notice that tells of an alarm.
func (l *listener) notice(id alarm.ID, subject string) alert.Message {
	l.t.Helper()
	var m alert.Message
	eventually(l.t, fmt.Sprintf("a notice of %s of %s", id, subject), func() bool {
		all := l.notices(id, subject)
		if len(all) > 0 {
			m = all[0]
		}
		return len(all) > 0
	})
	return m
}

// The main job: probe, rules, record, broker, phone, and the answer back.
func TestEndToEnd_OverheatedAndAcknowledged(t *testing.T) {
	t.Parallel()
	s := newSite(t, "moss", "fern", "cork")
	b := newMosquitto(t, s)
	phone := b.listen()
	p := s.run()
	s.ready(p)
	phone.shows("status", "online")
	phone.shows("enclosure/moss/climate", `"temperature_c":24.5`)

	s.overheat("moss", 30.2)
	m := phone.notice(alarm.LethalLimit, "moss")
	if m.Priority != alarm.Wake || m.Cause != "enclosure" || len(m.Subjects) != 1 || m.Subjects[0] != "moss" || m.FirstAction == "" {
		t.Errorf("the notice is %+v; want wake, about moss alone, and what to do first", m)
	}
	for _, field := range []string{"id", "time", "priority", "cause", "title", "text", "first_action", "subjects"} {
		var raw map[string]any
		last, _ := phone.last("notice")
		decode(t, last, &raw)
		if _, ok := raw[field]; !ok {
			t.Errorf("the notice lacks %q: %v", field, raw)
		}
	}
	phone.shows("alarm/lethal-ceiling/moss", `"UNACK"`)

	b.publish("dewline/den/command", s.commandJSON(alert.Command{ID: "q1", Action: "acknowledge", Notice: m.ID, By: "robin"}), false)
	if reply := phone.shows("command/reply", `"q1"`); !strings.Contains(reply, `"ok":true`) {
		t.Fatalf("the answer to the acknowledgement is %s", reply)
	}
	phone.shows("alarm/lethal-ceiling/moss", `"ACKED"`)
	if a := s.state(alarm.LethalLimit, "moss", "ACKED"); a.AckedBy != "robin" {
		t.Errorf("acknowledged by %q, want robin", a.AckedBy)
	}
	// Who asks right after an answer sees what it did.
	if err := s.command(alert.Command{Action: "out-of-service", Subject: "moss", Minutes: 60, By: "robin", Why: "emptied", Empty: true}); err != nil {
		t.Fatal(err)
	}
	snap, _ := s.room()
	if a, open := alarmIn(snap, alarm.LethalLimit, "moss"); !open || a.State != alarm.OutOfService {
		t.Errorf("right after being taken out of service: %v", a.State)
	}
}

// overheat brings an enclosure to a temperature at or above its lethal limit. The
// last step is one that no probe need be doubted for.
func (s *site) overheat(enclosure string, celsius float64) {
	s.t.Helper()
	s.climate(enclosure, celsius-2.9, 84)
	eventually(s.t, enclosure+" warms", func() bool {
		snap, _ := s.room()
		for _, e := range snap.Enclosures {
			if e.ID == enclosure && e.Hottest.Known {
				return e.Hottest.Value > celsius-3
			}
		}
		return false
	})
	s.climate(enclosure, celsius, 84)
}

func (s *site) commandJSON(c alert.Command) string {
	if c.Token == "" {
		c.Token = s.token
	}
	b, err := json.Marshal(c)
	if err != nil {
		s.t.Fatal(err)
	}
	return string(b)
}

// What dewline command prints is taken once from whoever publishes it; the
// person's key is in no file that dewline writes.
func TestEndToEnd_SignedCommand(t *testing.T) {
	t.Parallel()
	s := newSite(t, "moss")
	b := newMosquitto(t, s)
	const key = "c0ffee0123456789c0ffee0123456789"
	s.write("robin-key", key+"\n")
	s.extra = fmt.Sprintf("\n[[person]]\nid = \"robin\"\nchannels = [\"mqtt\"]\ncommand_key_file = %q\n", s.path("robin-key"))
	phone := b.listen()
	p := s.run()
	s.ready(p)
	s.overheat("moss", 30.2)
	m := phone.notice(alarm.LethalLimit, "moss")
	sign := func(words ...string) string {
		t.Helper()
		code, out, errs := runDewline(t, append([]string{"command"}, words...)...)
		if code != exitOK {
			t.Fatalf("%v: exit %d\n%s", words, code, errs)
		}
		return strings.TrimSpace(out)
	}
	ask := func(payload string) alert.Reply {
		t.Helper()
		replies := len(phone.replies())
		b.publish("dewline/den/command", payload, false)
		eventually(t, "an answer to "+payload, func() bool { return len(phone.replies()) > replies })
		return phone.replies()[replies]
	}
	ack := sign("ack", "--config", s.config(), "--by", "robin", "--version", fmt.Sprint(m.Version), m.ID)
	if strings.Contains(ack, key) {
		t.Errorf("the key travels: %s", ack)
	}
	if r := ask(strings.Replace(ack, "robin", "keeper", 1)); r.OK {
		t.Error("an answer in another's name was taken")
	}
	if r := ask(ack); !r.OK {
		t.Errorf("a signed answer: %+v", r)
	}
	if r := ask(ack); r.OK || !strings.Contains(r.Error, "already") {
		t.Errorf("the same again: %+v", r)
	}
	if a := s.state(alarm.LethalLimit, "moss", "ACKED"); a.AckedBy != "robin" {
		t.Errorf("acknowledged by %q, want robin", a.AckedBy)
	}
	board, _ := phone.last("status/board") // by its nonce, whether or not the clock here is set
	_, nonce, _ := strings.Cut(board, " ")
	out := sign("out-of-service", "--nonce", nonce, "--room", "den", "--key", s.path("robin-key"), "--by", "robin", "--for", "1h", "--why", "emptied", "moss")
	if r := ask(out); !r.OK {
		t.Errorf("a signed wish: %+v", r)
	}
	if r := ask(s.commandJSON(alert.Command{Action: "acknowledge", Notice: m.ID, By: "robin"})); r.OK || !strings.Contains(r.Error, "sign it") {
		t.Errorf("with the token: %+v", r)
	}
	if code := p.stop(); code != exitOK {
		t.Errorf("exit %d", code)
	}
	err := filepath.WalkDir(s.data(), func(path string, _ fs.DirEntry, err error) error {
		text, _ := os.ReadFile(path)
		if strings.Contains(string(text), key) {
			t.Errorf("%s holds the key", path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(p.log.String(), key) {
		t.Error("the log holds the key")
	}
}

// A board and its clone, made of a copy of its data: each tells of the other, and
// the lethal heat of one stays on the broker whatever becomes of the same alarm in
// the other, where it is cool.
func TestEndToEnd_TwoBoards(t *testing.T) {
	t.Parallel()
	s := newSite(t, "moss")
	b := newMosquitto(t, s)
	phone := b.listen()
	first := s.run()
	s.ready(first)
	s.overheat("moss", 30.2)
	phone.notice(alarm.LethalLimit, "moss")
	first.stop()
	clone := newSite(t, "moss")
	clone.broker = s.broker
	if err := os.CopyFS(clone.data(), os.DirFS(s.data())); err != nil {
		t.Fatal(err)
	}
	s.ready(s.resume())
	other := clone.run()
	clone.ready(other)
	s.state(alarm.DuplicateRoom, "dewline", "UNACK")
	clone.state(alarm.DuplicateRoom, "dewline", "UNACK")
	clone.state(alarm.LethalLimit, "moss", "UNACK")
	eventually(t, "a heartbeat of each", func() bool {
		beats := map[string]bool{}
		for _, h := range phone.all() {
			if h.topic == "heartbeat" {
				var v alert.Heartbeat
				decode(t, h.payload, &v)
				beats[v.Instance] = true
			}
		}
		return len(beats) == 2
	})
	const topic = "alarm/lethal-ceiling/moss"
	if err := clone.command(alert.Command{Action: "out-of-service", Subject: "moss", Minutes: 30, Empty: true, By: "robin"}); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the word of the clone", func() bool {
		return slices.ContainsFunc(phone.all(), func(h heard) bool { return h.topic == topic && strings.Contains(h.payload, `"OOSRV"`) })
	})
	phone.shows(topic, `"UNACK"`)
	clone.enclosures = []string{"fern"} // moss and its alarms end there
	clone.climate("fern", 24.5, 84)
	clone.write("dewline.toml", clone.text())
	if err := other.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	clone.state(alarm.LethalLimit, "moss", "NORM")
	eventually(t, "the end at the clone", func() bool {
		return slices.ContainsFunc(phone.all(), func(h heard) bool { return h.topic == topic && h.payload == "" })
	})
	phone.shows(topic, `"UNACK"`)
	if code := other.stop(); code != exitOK {
		t.Errorf("the clone stopped with exit %d", code)
	}
	phone.shows("status", "online")
	phone.shows(topic, `"UNACK"`)
	t.Log("tally: a board and its clone: 3 tries to take an alarm away, 0 lost")
}

// What cannot be meant is answered with an error and changes nothing.
func TestEndToEnd_CommandsThatAreRefused(t *testing.T) {
	t.Parallel()
	s := newSite(t, "moss", "fern", "cork")
	b := newMosquitto(t, s)
	phone := b.listen()
	p := s.run()
	s.ready(p)
	s.overheat("moss", 30.2)
	m := phone.notice(alarm.LethalLimit, "moss")
	before := s.state(alarm.LethalLimit, "moss", "UNACK")

	good := alert.Command{Action: "acknowledge", Alarm: "lethal-ceiling", Subject: "moss", By: "robin"}
	with := func(id string, change func(*alert.Command)) string {
		c := good
		c.ID = id
		change(&c)
		return s.commandJSON(c)
	}
	for _, c := range []struct {
		name, payload, want string
		retain              bool
	}{
		{"junk", "let me in!", "not the JSON object expected", false},
		{"empty", "", "not the JSON object expected", false},
		{"a list", "[1,2]", "not the JSON object expected", false},
		{"half", `{"action":"acknowledge","alarm":"leth`, "not the JSON object expected", false},
		{"a misspelt field", `{"token":"let-me-in","action":"acknowledge","subjekt":"moss","by":"x"}`, "subjekt", false},
		{"two", with("e2", func(*alert.Command) {}) + "{}", "followed by something else", false},
		{"too long", `{"why":"` + strings.Repeat("x", 5000) + `"}`, "longer than", false},
		{"a wrong token", with("e3", func(c *alert.Command) { c.Token = "let-me-out" }), "token", false},
		{"an unknown alarm", with("e4", func(c *alert.Command) { c.Alarm = "boredom" }), "no such alarm", false},
		{"an unknown subject", with("e5", func(c *alert.Command) { c.Subject = "attic" }), "no such", false},
		{"an unknown notice", with("e6", func(c *alert.Command) { c.Notice = "lethal-ceiling/moss/77" }), "no open notice", false},
		{"an unknown action", with("e7", func(c *alert.Command) { c.Action = "mute" }), "unknown action", false},
		{"nobody", with("e8", func(c *alert.Command) { c.By = "" }), "who you are", false},
		{"a shelf without an end", with("e9", func(c *alert.Command) { c.Action = "shelve" }), "minutes", false},
		{"lethal heat on the shelf", with("e10", func(c *alert.Command) { c.Action, c.Minutes = "shelve", 1 }), "may only acknowledge", false},
		{"an onset that is over", with("e11", func(c *alert.Command) { c.Seq = before.Seq + 1 }), "onset", false},
	} {
		replies := len(phone.replies())
		b.publish("dewline/den/command", c.payload, c.retain)
		eventually(t, "an answer to "+c.name, func() bool { return len(phone.replies()) > replies })
		r := phone.replies()[replies]
		if r.OK || !strings.Contains(r.Error, c.want) {
			t.Errorf("%s: answered %+v, want an error that says %q", c.name, r, c.want)
		}
	}
	// A retained command would come again at every connection. While dewline
	// listens, the broker hands it over as a live one (MQTT 3.1.1, 3.3.1.3),
	// which it is.
	p.kill()
	b.publish("dewline/den/command", with("e12", func(c *alert.Command) {}), true)
	replies := len(phone.replies())
	p = s.resume()
	snap := s.ready(p)
	eventually(t, "an answer to a retained command", func() bool { return len(phone.replies()) > replies })
	if r := phone.replies()[replies]; r.OK || !strings.Contains(r.Error, "retained") {
		t.Errorf("a retained command: answered %+v", r)
	}
	b.publish("dewline/den/command", "", true)

	p.stop()
	code, out, errs := runDewline(t, "journal", "--config", s.config(), "--data", s.data(), "--from", "2020-01-01")
	if code != exitOK || !strings.Contains(out, "refused") || !strings.Contains(out, "retained commands") {
		t.Errorf("the journal does not tell of refused commands: exit %d\n%s%s", code, out, errs)
	}

	after, open := alarmIn(snap, alarm.LethalLimit, "moss")
	if !open || after.State != before.State || after.Seq != before.Seq || after.AckedBy != "" {
		t.Errorf("the alarm was %v (%d) and is %v (%d), acknowledged by %q: a refused command changed it",
			before.State, before.Seq, after.State, after.Seq, after.AckedBy)
	}
	for _, n := range phone.notices(alarm.LethalLimit, "moss") {
		if n.ID != m.ID {
			t.Errorf("the notice's id was %s and is %s", m.ID, n.ID)
		}
	}
}

// replies returns the answers heard so far, but not the empty or malformed.
func (l *listener) replies() []alert.Reply {
	l.t.Helper()
	var out []alert.Reply
	for _, h := range l.all() {
		if h.topic == "command/reply" {
			var r alert.Reply
			decode(l.t, h.payload, &r)
			out = append(out, r)
		}
	}
	return out
}

// A broker that is away loses nothing: the notice comes once it is back, under
// the id that the alarm has.
func TestEndToEnd_BrokerAway(t *testing.T) {
	t.Parallel()
	s := newSite(t, "moss", "fern", "cork")
	b := newMosquitto(t, s)
	phone := b.listen()
	p := s.run()
	s.ready(p)
	phone.shows("status", "online")

	b.Stop()
	s.overheat("moss", 30.2)
	a := s.state(alarm.LethalLimit, "moss", "UNACK")
	snap, _ := s.room()
	if len(phone.notices(alarm.LethalLimit, "moss")) != 0 {
		t.Fatal("a notice arrived without a broker")
	}
	var id string
	for _, n := range snap.Notices {
		id = n.ID
	}
	if want := alarm.OnsetID(keyOf(a), a.Seq); id != want {
		t.Errorf("the waiting notice is %q, want %q", id, want)
	}
	// A restart in between must not change the id either, once it is on the disk.
	eventually(t, "the onset is on record", func() bool {
		var lines []wire.JournalEntry
		err := (&control{socket: s.socket()}).get(t.Context(), "journal", &lines)
		return err == nil && slices.ContainsFunc(lines, func(l wire.JournalEntry) bool { return l.Kind == "alarm" && l.Subject == id })
	})
	p.kill()
	p = s.resume()
	s.ready(p)
	b.Start()
	m := phone.notice(alarm.LethalLimit, "moss")
	if m.ID != id {
		t.Errorf("the notice arrived as %q, want %q", m.ID, id)
	}
	phone.shows("status", "online")
	phone.shows("alarm/lethal-ceiling/moss", `"UNACK"`)
	t.Log("tally: broker away and the daemon killed: 1 notice, 0 lost")
}

// A daemon that dies says so by its last will; one that is stopped says so
// itself, flushes its record and exits with 0.
func TestEndToEnd_StatusAndStop(t *testing.T) {
	t.Parallel()
	s := newSite(t, "moss", "fern", "cork")
	b := newMosquitto(t, s)
	phone := b.listen()
	p := s.run()
	s.ready(p)
	phone.shows("status", "online")
	p.kill()
	phone.shows("status", "offline")

	p = s.resume()
	phone.shows("status", "online")
	s.ready(p)
	if code := p.stop(); code != exitOK {
		t.Errorf("after SIGTERM: exit %d, want %d", code, exitOK)
	}
	phone.shows("status", "offline")
	checkRecord(t, s, "moss")
}

// checkRecord looks whether a stopped program left a whole record.
func checkRecord(t *testing.T, s *site, enclosure string) {
	t.Helper()
	args := []string{"journal", "--config", s.config(), "--data", s.data(), "--from", "2020-01-01"}
	code, out, errs := runDewline(t, args...)
	if code != exitOK || !strings.Contains(out, "stop") {
		t.Errorf("the journal: exit %d, want 0 and a line for the stop\n%s%s", code, out, errs)
	}
	if code, out, errs = runDewline(t, append(args, "--verify")...); code != exitOK || !strings.Contains(out, "unbroken") {
		t.Errorf("the journal's chain: exit %d\n%s%s", code, out, errs)
	}
	code, out, errs = runDewline(t, "export", "--config", s.config(), "--data", s.data(), "--from", "2020-01-01",
		"--to", time.Now().Add(time.Hour).UTC().Format(time.RFC3339), "--probe", "p-"+enclosure, "--format", "csv")
	if code != exitOK || strings.Count(out, "\n") < 2 {
		t.Errorf("the readings: exit %d, want 0 and some lines\n%s%s", code, out, errs)
	}
}
