package page

import (
	"context"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"maps"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/sensors/table"
	"dewline/store"
)

// evil is text that must never be taken for markup, wherever it comes from.
const evil = `<script>alert(1)</script>"'><img src=x onerror=alert(2)> & {{.}}`

const token = "a-token-of-the-test"

// noon is the moment that the invented room is shown at.
var noon = time.Date(2026, 7, 18, 12, 0, 0, 0, time.UTC)

// A rig is a page on an invented room.
type rig struct {
	t        testing.TB
	cfg      *configs.Config
	mu       sync.Mutex // guards snap, commands, notes and refused
	snap     *alert.Snapshot
	commands []alert.Command
	notes    []wire.Note
	refused  []string
	reply    alert.Reply
	list     string // of tokens with names
	record   Record
	mayRead  bool
	server   *httptest.Server
	client   *http.Client
}

func (r *rig) Notes(enclosure string, from, to time.Time) ([]wire.Note, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(r.notes), func(n wire.Note) bool { return n.Enclosure != enclosure }), nil
}

func (r *rig) AddNote(_ context.Context, enclosure, by, text string) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if text == "" {
		return fmt.Errorf("the note is empty")
	}
	r.notes = append(r.notes, wire.Note{Time: noon, Enclosure: enclosure, By: by, Text: text})
	return nil
}

func (r *rig) command(_ context.Context, c alert.Command) alert.Reply {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.commands = append(r.commands, c)
	return r.reply
}

func (r *rig) tokens() (string, error) { r.mu.Lock(); defer r.mu.Unlock(); return r.list, nil }

func (r *rig) options() Options {
	return Options{
		Snapshot: func() *alert.Snapshot { r.mu.Lock(); defer r.mu.Unlock(); return r.snap },
		Config:   func() *configs.Config { return r.cfg },
		Record:   func() Record { return r.record },
		Notebook: r, Command: r.command,
		Link: func(id, tok string) (int, bool) { return 2, tok == "key-of-"+id },
		Refused: func(_ context.Context, what, from string) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.refused = append(r.refused, what+" "+from)
		},
		Tokens: Tokens{Shared: token, List: r.tokens}, MayRead: func(*http.Request) bool { return r.mayRead },
		Summary: http.NotFoundHandler(), Log: slog.New(slog.DiscardHandler),
	}
}

// newRig serves a room of n enclosures to a browser without scripts.
func newRig(t testing.TB, n int) *rig {
	t.Helper()
	r := &rig{t: t, cfg: roomOf(t, n), reply: alert.Reply{OK: true}, mayRead: true, record: emptyRecord{}}
	r.snap = snapshotOf(r.cfg)
	r.server = httptest.NewServer(http.NewCrossOriginProtection().Handler(New(r.options())))
	t.Cleanup(r.server.Close)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	r.client = &http.Client{Jar: jar}
	return r
}

// roomOf is the built-in room, grown to n enclosures.
func roomOf(t testing.TB, n int) *configs.Config {
	t.Helper()
	cfg, err := table.Decode("demo.toml", configs.Demo())
	if err != nil {
		t.Fatal(err)
	}
	for i := len(cfg.Enclosures); i < n; i++ {
		e := cfg.Enclosures[i%12]
		e.ID, e.Rack, e.Name = fmt.Sprintf("%s-%d", e.ID, i/12), fmt.Sprintf("%s%d", e.Rack, i/12), fmt.Sprintf("%s %d", e.Name, i/12)
		cfg.Enclosures = append(cfg.Enclosures, e)
		cfg.Probes = append(cfg.Probes, configs.Probe{ID: e.ID + "-canopy", Family: "simulated", Place: configs.Canopy, Enclosure: e.ID, Measures: configs.Measures{Temperature: true, Humidity: true}})
	}
	return cfg
}

func ptr[T any](v T) *T { return &v }

// snapshotOf invents a plausible present: the second enclosure missed its
// mist, the third is at its lethal limit, the fourth is blind.
func snapshotOf(cfg *configs.Config) *alert.Snapshot {
	at := sensors.Instant{Mono: 90 * 24 * time.Hour, Wall: noon, Synced: true}
	s := &alert.Snapshot{
		At: at, Room: cfg.Room.ID, RoomName: cfg.Room.Name, Version: "test", Recording: true, Cycle: 9, CycleAt: time.Now(), Published: time.Now(),
		KPI: rules.KPI{KPIDays: rules.KPIDays{Days: 30, Alarms: 12, PerDay: 0.4}},
	}
	for _, e := range cfg.Enclosures {
		sp := cfg.SpeciesFor(e)
		v := rules.EnclosureView{
			EnclosureHome: rules.EnclosureHome{ID: e.ID, Name: e.Name, Rack: e.Rack, Shelf: e.Shelf, Slot: e.Slot, Species: e.Species, Stage: string(e.Stage)},
			At:            rules.Moment{Instant: at},
			EnclosureAir: rules.EnclosureAir{
				Temperature: rules.Measure{Value: 24.8, Known: true, Ever: true, Probe: e.ID + "-canopy", Place: "canopy"},
				Band:        rules.Measure{Value: 24.3, Known: true, Ever: true, Place: "litter"},
				Humidity:    rules.Measure{Value: 83, Known: true, Ever: true, Uncertainty: 2.4, Probe: e.ID + "-canopy", Place: "canopy"},
			},
			BandName: "day",
			EnclosureLimits: rules.EnclosureLimits{
				BandLow: float64(sp.Day.Low), BandHigh: float64(sp.Day.High),
				Floor: float64(sp.Floor), Warn: float64(sp.Warn), Act: float64(sp.Act), Lethal: float64(sp.Lethal),
			},
			EnclosureOutlook: rules.EnclosureOutlook{DewPoint: ptr(rules.Tenth(21.2)), VPD: ptr(rules.Tenth(520)), RatePerHour: ptr(rules.Tenth(0.4)), LampsOn: ptr(true)},
			EnclosureHabits:  rules.EnclosureHabits{LastMist: ptr(rules.Seconds(4 * time.Hour)), NightDrop: ptr(rules.Tenth(3.1)), DryDown: ptr(rules.Seconds(80 * time.Minute)), DryDownUsual: ptr(rules.Seconds(95 * time.Minute))},
		}
		s.Enclosures = append(s.Enclosures, v)
	}
	for _, p := range cfg.Probes {
		s.Probes = append(s.Probes, rules.ProbeView{
			ID:          p.ID,
			Family:      p.Family,
			Place:       string(p.Place),
			Enclosure:   p.Enclosure,
			ProbeAge:    rules.ProbeAge{At: rules.Moment{Instant: at}, LastGood: rules.Moment{Instant: at}, Fresh: true, Heard: true, HeardAge: new(rules.Seconds)},
			Quality:     "good",
			ProbeValues: rules.ProbeValues{Temperature: ptr(24.3), Humidity: ptr(83.0)},
			Readings:    1000,
			Good:        999,
		})
	}
	trouble(s)
	return s
}

// trouble adds what needs a keeper.
func trouble(s *alert.Snapshot) {
	dry, hot, blind := &s.Enclosures[1], &s.Enclosures[2], &s.Enclosures[3]
	dry.MissedMists, dry.Worst, dry.Alarms = 2, ptr(alarm.Today), []alarm.ID{alarm.MistMissing}
	hot.Temperature.Value, hot.Band.Value, hot.Worst = hot.Lethal+0.2, hot.Lethal, ptr(alarm.Wake)
	hot.Alarms = []alarm.ID{alarm.LethalLimit}
	blind.Blind, blind.Temperature.Known, blind.Humidity.Known = true, false, false
	blind.Temperature.Age, blind.Humidity.Age = time.Hour, time.Hour
	s.Enclosures[4].NightsNoDrop = 3
	s.Probes[1].HumidityDue = ptr(noon.AddDate(0, -1, 0))
	since := sensors.Instant{Mono: s.At.Mono - time.Hour, Wall: noon.Add(-time.Hour), Synced: true}
	view := func(id alarm.ID, subject string, st alarm.State, p alarm.Priority) rules.AlarmView {
		k := alarm.Key{Alarm: id, Subject: subject}
		return rules.AlarmView{
			Onset: alarm.Onset{Key: k, Seq: 7, Priority: p, Since: since, Text: "A sentence about " + subject + ".", Detail: alarm.Detail{FirstAction: "1 all lamps off. 2 Call a helper."}}, State: st, Active: st.Annunciated(),
		}
	}
	heat := view(alarm.LethalLimit, hot.ID, alarm.Unack, alarm.Wake)
	heat.Value, heat.HasValue, heat.Unit, heat.Limit, heat.HasLimit = 31.2, true, "°C", 31, true
	shelved := view(alarm.DoorAjar, s.Enclosures[5].ID, alarm.Shelved, alarm.Today)
	shelved.ShelfLeft = 90 * time.Minute
	s.Alarms = []rules.AlarmView{
		heat, view(alarm.MistMissing, dry.ID, alarm.Acked, alarm.Today), view(alarm.ProbeSilent, s.Probes[1].ID, alarm.RTNUN, alarm.Today),
		view(alarm.LethalLimit, s.Enclosures[6].ID, alarm.LatchAck, alarm.Wake), shelved,
		view(alarm.BelowBand, s.Enclosures[7].ID, alarm.OutOfService, alarm.Today),
	}
	n := alert.Notice{
		ID: heat.ID(), Version: 1, Kind: alert.Raise, Priority: alarm.Wake, Since: since.Wall, Time: since.Wall,
		Cause:   alarm.Cause{Kind: alarm.CauseEnclosure, ID: hot.ID},
		Members: []alert.Member{{Onset: alarm.Onset{Key: heat.Key, Seq: 7, Value: 31.2, HasValue: true, Unit: "°C", Since: since}, Name: hot.Name, State: alarm.Unack}},
	}
	s.Notices = []alert.NoticeView{{Notice: n, Message: alert.Message{ID: n.ID, Title: "Low Stone: lethal heat", Steps: []string{"All lamps off.", "Call a helper."}}, Told: []string{"keeper"}}}
	s.Drill = &alert.DrillResult{ID: "drill/keeper/5", Person: "keeper", At: since}
}

// emptyRecord is a record that holds nothing yet.
type emptyRecord struct{}

func (emptyRecord) Readings(context.Context, sensors.ProbeID, time.Time, time.Time) iter.Seq2[sensors.Reading, error] {
	return func(func(sensors.Reading, error) bool) {}
}

func (emptyRecord) Rollups(context.Context, sensors.ProbeID, store.Level, time.Time, time.Time) iter.Seq2[store.Rollup, error] {
	return func(func(store.Rollup, error) bool) {}
}

func (emptyRecord) JournalSince(time.Duration) iter.Seq2[event.Event, error] {
	return func(func(event.Event, error) bool) {}
}

// A got is what a browser got.
type got struct {
	code int
	body string
	head http.Header
	path string // after redirections
}

func (r *rig) do(req *http.Request) got {
	r.t.Helper()
	resp, err := r.client.Do(req)
	if err != nil {
		r.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		r.t.Fatal(err)
	}
	return got{resp.StatusCode, string(b), resp.Header, resp.Request.URL.RequestURI()}
}

func (r *rig) get(path string) got {
	r.t.Helper()
	req, err := http.NewRequest(http.MethodGet, r.server.URL+path, nil)
	if err != nil {
		r.t.Fatal(err)
	}
	return r.do(req)
}

func (r *rig) post(path string, fields map[string]string) got {
	r.t.Helper()
	v := url.Values{}
	for _, k := range slices.Sorted(maps.Keys(fields)) {
		v.Set(k, fields[k])
	}
	req, err := http.NewRequest(http.MethodPost, r.server.URL+path, strings.NewReader(v.Encode()))
	if err != nil {
		r.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return r.do(req)
}

var formToken = regexp.MustCompile(`name="form" value="([^"]+)"`)

// login returns the token that the session's forms carry.
func (r *rig) login(by string) string {
	r.t.Helper()
	a := r.post("/login", map[string]string{"token": token, "by": by, "next": "/alarms"})
	m := formToken.FindStringSubmatch(a.body)
	if a.code != http.StatusOK || m == nil {
		r.t.Fatalf("login: %d at %s", a.code, a.path)
	}
	return m[1]
}

// took returns the commands that came through.
func (r *rig) took() []alert.Command {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.commands)
}
