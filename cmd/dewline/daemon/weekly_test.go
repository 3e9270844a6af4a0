package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/alert/mail"
	"dewline/alert/summary"
	"dewline/configs"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/sensors/table"
	"dewline/store"
)

// A post is the world around a weekly: a clock, a record in memory that
// survives restarts, and a mail server that fails as told.
type post struct {
	t      *testing.T
	cfg    *configs.Config
	now    sensors.Instant
	docs   map[string][]byte
	lines  []string
	sent   []string // keys, in order of arrival
	fail   error
	during func() // called while a mail is under way
	noData bool
	built  int
}

func newPost(t *testing.T, people string, at time.Time) *post {
	t.Helper()
	text := `
[room]
id = "test"
timezone = "Europe/Berlin"
[mqtt]
broker = "tcp://127.0.0.1:1"
[mail]
host = "127.0.0.1"
from = "dewline@example.org"
tls = "none"
[[enclosure]]
id = "e1"
rack = "a"
shelf = 1
slot = 1
species = "dendrobates-auratus"
volume = "90 L"
[[probe]]
id = "p1"
family = "simulated"
place = "litter"
enclosure = "e1"
` + people
	cfg, err := table.Decode("room.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return &post{t: t, cfg: cfg, docs: map[string][]byte{}, now: sensors.Instant{Mono: time.Hour, Wall: at, Synced: true}}
}

const summaryPeople = `
[[person]]
id = "sam"
channels = ["mqtt", "mail"]
mail_to = "sam@example.org"
[[person]]
id = "kim"
channels = ["mqtt"]
mail_to = "kim@example.org"
units = "F"
[[person]]
id = "lee"
channels = ["mqtt"]
`

// start returns a weekly as after a start of the daemon.
func (p *post) start() *weekly {
	return &weekly{
		cfg: func() *configs.Config { return p.cfg },
		now: func() sensors.Instant { return p.now }, mails: func() bool { return true },
		load: func(key string) ([]byte, error) {
			return p.docs[key], nil
		},
		keep: func(d store.Doc, entries []event.Event) <-chan struct{} {
			p.docs[d.Key] = d.Value
			for _, e := range entries {
				l := e.Line()
				p.lines = append(p.lines, l.Kind+" "+l.Old+" "+l.New)
			}
			done := make(chan struct{})
			close(done)
			return done
		},
		build: func(ctx context.Context, w summary.Week) (*summary.Report, error) {
			p.built++
			return &summary.Report{Week: w.String(), Stretch: summary.Stretch{From: w.From(), To: w.To()}, Until: w.To(), NoData: p.noData}, nil
		},
		send: func(_ context.Context, m mail.Summary) error {
			if p.during != nil {
				p.during()
			}
			if p.fail != nil {
				return p.fail
			}
			p.sent = append(p.sent, m.Key+" "+m.To[0])
			return nil
		},
		log: slog.New(slog.DiscardHandler),
	}
}

func (p *post) pass(d time.Duration) { p.now = p.now.Add(d) }

func (p *post) wantSent(want ...string) {
	p.t.Helper()
	if !slices.Equal(p.sent, want) {
		p.t.Fatalf("sent %q, want %q", p.sent, want)
	}
}

func berlin(t *testing.T, s string) time.Time {
	t.Helper()
	loc, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no time zone data")
	}
	at, err := time.ParseInLocation("2006-01-02 15:04:05", s, loc)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// TestSentAtTheMinute: nothing leaves before Monday 07:00 local time, and the
// week that just ended leaves then, once for each person with an address.
func TestSentAtTheMinute(t *testing.T) {
	p := newPost(t, summaryPeople, berlin(t, "2026-11-23 06:59:58"))
	p.docs[weekKey("2026-W46")] = []byte(`{"week":"2026-W46","done":true}`)
	w := p.start()
	for range 2 {
		w.step(t.Context())
		p.wantSent()
		p.pass(time.Second)
	}
	for range 100 {
		w.step(t.Context())
		p.pass(time.Minute)
	}
	p.wantSent("2026-W47/sam sam@example.org", "2026-W47/kim kim@example.org")
	p.pass(7 * 24 * time.Hour)
	w.step(t.Context())
	if len(p.sent) != 4 || p.sent[2] != "2026-W48/sam sam@example.org" {
		t.Fatalf("the next week: %q", p.sent)
	}
	if !slices.Contains(p.lines, "summary sam sent") {
		t.Errorf("the journal has %q", p.lines)
	}
}

// TestRestartAtTheMinute restarts at every point of the sending minute: before
// it, while a mail is under way, between two mails and after them.
func TestRestartAtTheMinute(t *testing.T) {
	for cut := range 40 {
		t.Run(fmt.Sprint(cut), func(t *testing.T) {
			p := newPost(t, summaryPeople, berlin(t, "2026-11-23 06:59:50"))
			p.docs[weekKey("2026-W46")] = []byte(`{"week":"2026-W46","done":true}`)
			n := 0
			die := func() {
				if n++; n == cut+1 {
					panic(errKilled)
				}
			}
			run := func(w *weekly, d time.Duration, mortal bool) {
				defer func() {
					if r := recover(); r != nil && r != errKilled {
						panic(r)
					}
				}()
				keep, send := w.keep, w.send
				if mortal {
					// The machine dies before or after any commit and any mail.
					w.keep = func(d store.Doc, e []event.Event) <-chan struct{} {
						die()
						c := keep(d, e)
						die()
						return c
					}
					w.send = func(ctx context.Context, m mail.Summary) error {
						die()
						err := send(ctx, m)
						die()
						return err
					}
				}
				for end := p.now.Wall.Add(d); p.now.Wall.Before(end); p.pass(time.Second) {
					w.step(t.Context())
				}
			}
			run(p.start(), 20*time.Second, true)
			run(p.start(), 20*time.Second, false)
			run(p.start(), 2*time.Hour, false)
			for _, who := range []string{"sam", "kim"} {
				times := 0
				for _, s := range p.sent {
					if strings.HasPrefix(s, "2026-W47/"+who) {
						times++
					}
				}
				if times > 1 {
					t.Errorf("%s got it %d times: %q", who, times, p.sent)
				}
				if info := p.mail("2026-W47", who); times == 0 && info.State != mailUnknown {
					t.Errorf("%s got nothing and nobody says so: %+v", who, info)
				}
			}
		})
	}
}

var errKilled = errors.New("killed")

func (p *post) mail(week, who string) mailInfo {
	var d weekDoc
	if err := json.Unmarshal(p.docs[weekKey(week)], &d); err != nil {
		p.t.Fatal(err)
	}
	return d.Mail[who]
}

// TestCatchesUp: after an outage over the sending time the last week is sent at
// the next start, and only that one.
func TestCatchesUp(t *testing.T) {
	p := newPost(t, summaryPeople, berlin(t, "2026-11-26 15:00:00"))
	p.start().step(t.Context())
	p.start().step(t.Context())
	p.wantSent("2026-W47/sam sam@example.org", "2026-W47/kim kim@example.org")
}

// TestMailFailure tries again with longer and longer pauses, the one whose mail was
// taken aside, until the next week's is due.
func TestMailFailure(t *testing.T) {
	p := newPost(t, summaryPeople, berlin(t, "2026-11-23 07:00:00"))
	p.fail = errors.New("421 try later")
	w := p.start()
	tries := 0
	p.during = func() { tries++ }
	for range 60 {
		w.step(t.Context())
		p.pass(time.Minute)
	}
	// 0, 5, 15 and 35 minutes for each of the two.
	if tries != 8 || p.mail("2026-W47", "sam").State != mailFailed {
		t.Errorf("%d tries in the first hour, want 8; %+v", tries, p.mail("2026-W47", "sam"))
	}
	if n := strings.Count(strings.Join(p.lines, "\n"), "summary sam failed"); n != 1 {
		t.Errorf("the journal tells %d times of one failure: %q", n, p.lines)
	}
	p.during = func() {
		if len(p.sent) > 0 {
			p.fail = errors.New("550 no such mailbox")
		}
	}
	p.fail = nil
	p.pass(20 * time.Minute)
	w.step(t.Context())
	p.wantSent("2026-W47/sam sam@example.org")
	p.fail, p.during = nil, nil
	for range 6 * 24 * 4 {
		w.step(t.Context())
		p.pass(15 * time.Minute)
	}
	p.wantSent("2026-W47/sam sam@example.org", "2026-W47/kim kim@example.org")
}

func TestNobodyToMail(t *testing.T) {
	p := newPost(t, "[[person]]\nid = \"lee\"\nchannels = [\"mqtt\"]\n", berlin(t, "2026-11-23 07:00:00"))
	w := p.start()
	w.step(t.Context())
	w.step(t.Context())
	if len(p.sent) != 0 || p.built != 0 {
		t.Errorf("sent %q, built %d times", p.sent, p.built)
	}
	if !strings.Contains(string(p.docs[weekKey("2026-W47")]), `"done":true`) {
		t.Errorf("kept %s", p.docs[weekKey("2026-W47")])
	}
}

func TestNothingOnRecordIsNotMailed(t *testing.T) {
	p := newPost(t, summaryPeople, berlin(t, "2026-11-24 10:00:00"))
	p.noData = true
	w := p.start()
	for range 3 {
		w.step(t.Context())
	}
	if len(p.sent) != 0 || p.built != 1 {
		t.Errorf("sent %q, built %d times", p.sent, p.built)
	}
}

// TestClockUnset sends nothing by a clock that nobody set.
func TestClockUnset(t *testing.T) {
	p := newPost(t, summaryPeople, berlin(t, "2026-11-23 08:00:00"))
	p.now.Synced = false
	p.start().step(t.Context())
	p.wantSent()
}

// TestStopUnderWay: a stop while a mail is under way neither sends it twice nor
// calls it sent.
func TestStopUnderWay(t *testing.T) {
	p := newPost(t, summaryPeople, berlin(t, "2026-11-23 07:00:00"))
	ctx, stop := context.WithCancel(t.Context())
	p.fail = context.Canceled
	p.during = stop
	p.start().step(ctx)
	p.fail, p.during = nil, nil
	p.start().step(t.Context())
	p.wantSent("2026-W47/kim kim@example.org")
	if p.mail("2026-W47", "sam").State != mailUnknown {
		t.Errorf("%+v", p.mail("2026-W47", "sam"))
	}
}

// TestLastDue follows the local clock over its changes: on 29 March 2026 Berlin
// has no 02:30, on 25 October it has it twice.
func TestLastDue(t *testing.T) {
	loc := berlin(t, "2026-01-01 00:00:00").Location()
	clock := func(s string) configs.ClockTime {
		var c configs.ClockTime
		if err := c.UnmarshalText([]byte(s)); err != nil {
			t.Fatal(err)
		}
		return c
	}
	for _, c := range []struct{ weekday, at, now, due, week string }{
		{"monday", "07:00", "2026-11-23 07:00:00", "2026-11-23 07:00:00", "2026-W47"},
		{"monday", "07:00", "2026-11-23 06:59:59", "2026-11-16 07:00:00", "2026-W46"},
		{"monday", "00:00", "2026-11-23 00:00:00", "2026-11-23 00:00:00", "2026-W47"},
		{"sunday", "20:00", "2026-11-23 12:00:00", "2026-11-22 20:00:00", "2026-W46"},
		{"friday", "18:30", "2027-01-01 18:31:00", "2027-01-01 18:30:00", "2026-W52"},
		{"sunday", "02:30", "2026-03-29 12:00:00", "2026-03-29 03:30:00", "2026-W12"},
		{"sunday", "02:30", "2026-10-25 12:00:00", "2026-10-25 02:30:00", "2026-W42"},
	} {
		due, week := lastDue(configs.Summary{Weekday: c.weekday, At: clock(c.at)}, berlin(t, c.now), loc)
		if due.Format("2006-01-02 15:04:05") != c.due || week.String() != c.week {
			t.Errorf("%s %s at %s: due %v, week %s; want %s, %s", c.weekday, c.at, c.now, due, week, c.due, c.week)
		}
	}
}
