package daemon

import (
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/configs"
	"dewline/rules"
	"dewline/sensors"
	"dewline/sensors/sim"
)

// runSimulated runs a daemon over the demo's room, as fast as it goes, until
// it has seen the length; then it goes on answering while the test looks, as
// the source waits for the end.
func runSimulated(t *testing.T, length time.Duration) *Daemon {
	t.Helper()
	cfg := decode(t, string(configs.Demo()))
	o, err := sim.FromConfig(cfg, 1, time.Date(2026, 5, 1, 6, 0, 0, 0, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	room, err := sim.New(o)
	if err != nil {
		t.Fatal(err)
	}
	seen := make(chan struct{})
	sim := &waitingSource{Simulation: NewSimulation(cfg, room, 1e6, length), seen: seen}
	d, err := New(Options{
		Config: cfg, Dir: t.TempDir(), Clock: sim.Clock, Channels: map[string]alert.Channel{"mqtt": sinkChannel{}},
		Source: func(*configs.Config, func() sensors.Instant, map[sensors.ProbeID]sensors.Ageing) (Source, error) {
			return sim, nil
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	cfg.HTTP.Listen = ""
	ctx, cancel := context.WithCancel(context.Background())
	var done sync.WaitGroup
	done.Go(func() {
		if err := d.Run(ctx); err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(func() { cancel(); done.Wait() })
	<-seen
	// A round through the core shows that everything before it was handled.
	d.loop.call(t.Context(), func(sensors.Instant) error { d.loop.publish(); return nil })
	return d
}

// A waitingSource stays after its last reading until it is stopped.
type waitingSource struct {
	*Simulation
	seen chan struct{}
}

func (w *waitingSource) Run(ctx context.Context, s Sink) error {
	err := w.Simulation.Run(ctx, s)
	close(w.seen)
	<-ctx.Done()
	return err
}

// A sinkChannel takes everything over.
type sinkChannel struct{}

func (sinkChannel) Send(context.Context, alert.Delivery) error { return nil }

// ask sends one request to the API.
func ask(t *testing.T, h http.Handler, method, path, body string, v any) int {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), method, "/api/v1/"+path, strings.NewReader(body)))
	if v != nil {
		if err := json.Unmarshal(w.Body.Bytes(), v); err != nil {
			t.Fatalf("%s %s: %v in %q", method, path, err, w.Body)
		}
	}
	return w.Code
}

func TestAPI(t *testing.T) {
	d := runSimulated(t, 3*time.Hour)
	h := d.site.API()

	var s wire.Room
	if code := ask(t, h, "GET", "room", "", &s); code != 200 || len(s.Enclosures) != 12 || len(s.Probes) != 15 || s.Rounds == 0 {
		t.Errorf("room: %d, %d enclosures, %d probes, cycle %d", code, len(s.Enclosures), len(s.Probes), s.Rounds)
	}
	for _, e := range s.Enclosures {
		if e.Temperature == nil || !e.Temperature.Known || e.Temperature.Value < 15 || e.Temperature.Value > 35 {
			t.Errorf("%s: temperature %+v", e.ID, e.Temperature)
		}
	}
	var rows []wire.HistoryRow
	day := url.Values{"probe": {"a-1-1-canopy"}, "from": {"2026-05-01T06:00:00Z"}, "to": {"2026-05-01T09:00:00Z"}}
	if code := ask(t, h, "GET", "history?"+day.Encode(), "", &rows); code != 200 || len(rows) < 1070 || len(rows) > 1080 {
		t.Errorf("history of three hours at 10 s: %d with %d rows", code, len(rows))
	}
	long := url.Values{"probe": {"a-1-1-canopy"}, "from": {"2026-04-01T00:00:00Z"}, "to": {"2026-05-01T09:00:00Z"}}
	if code := ask(t, h, "GET", "history?"+long.Encode(), "", &rows); code != 200 || len(rows) == 0 || len(rows) > 19 || rows[0].TempMin == nil || *rows[0].TempMin > *rows[0].TempMean {
		t.Errorf("history of a month: %d with %d rows", code, len(rows))
	}
	years := url.Values{"probe": {"a-1-1-canopy"}, "from": {"2022-01-01T00:00:00Z"}, "to": {"2026-05-02T00:00:00Z"}}
	if code := ask(t, h, "GET", "history?"+years.Encode(), "", &rows); code != 200 || len(rows) != 1 || rows[0].Gap < 20*3600 || rows[0].Gap > 22*3600 {
		t.Errorf("history of years: %d with %+v, want one day with three hours in it", code, rows)
	}
	var ps []rules.Prospect
	if code := ask(t, h, "GET", "whatif?room=33&lamps=off", "", &ps); code != 200 || len(ps) != 12 || ps[0].ToLethal == nil {
		t.Errorf("whatif: %d, %+v", code, ps)
	}
	var r wire.Reading
	if code := ask(t, h, "GET", "probes/room/reading", "", &r); code != 200 || r.Raw.Temperature == nil {
		t.Errorf("reading: %d, %+v", code, r)
	}
}

func TestAPIRefuses(t *testing.T) {
	d := runSimulated(t, 10*time.Minute)
	h := d.site.API()
	for _, c := range []struct {
		method, path, body string
		code               int
		want               string
	}{
		{"GET", "history?probe=nobody", "", 404, "nobody"},
		{"GET", "history?probe=room&from=yesterday", "", 400, "from"},
		{"GET", "history?probe=room&from=2026-05-02T00:00:00Z&to=2026-05-01T00:00:00Z", "", 400, "before"},
		{"GET", "whatif", "", 400, "room"},
		{"GET", "whatif?room=1000", "", 400, "room"},
		{"GET", "whatif?room=NaN", "", 400, "room"},
		{"GET", "whatif?room=30&lamps=dim", "", 400, "lamps"},
		{"GET", "probes/nobody/reading", "", 404, "nobody"},
		{"POST", "command", `{"action":"acknowledge","alarm":"lethal-ceiling","subject":"a-1-1"}`, 409, "who you are"},
		{"POST", "command", `{"action":"explode","alarm":"lethal-ceiling","subject":"a-1-1","by":"x"}`, 409, ""},
		{"POST", "command", `{"action":"acknowledge","notice":"nothing","by":"x"}`, 409, "no open notice"},
		{"POST", "command", `{"action":"shelve","notice":"nothing","by":"x"}`, 409, "acknowledged"},
		{"POST", "command", `not json`, 400, "invalid character"},
		{"POST", "command", ``, 400, "empty"},
		{"POST", "command", `{"by":`, 400, "does not end"},
		{"POST", "command", `[]`, 400, "one JSON object"},
		{"POST", "command", `{"minutes":"30"}`, 400, "minutes cannot be a JSON string"},
		{"POST", "command", `{"colour":1}`, 400, `unknown field`},
		{"POST", "notes", `{"enclosure":"zz","by":"x","text":"hello"}`, 409, "zz"},
		{"POST", "notes", `{"enclosure":"a-1-1","by":"x","text":"  "}`, 409, "empty"},
		{"POST", "notes", `{"enclosure":"a-1-1","by":"x","text":"` + strings.Repeat("a", 600) + `"}`, 409, "500"},
		{"POST", "notes", `{"enclosure":"a-1-1","by":"x","text":"` + strings.Repeat("ж", 500) + `"}`, 200, ""}, // characters, not bytes
		{"POST", "drill", `{"person":"nobody","by":"x"}`, 409, "person"},
		{"POST", "calibrations", `{"id":"1","probe":"room","quantity":"humidity","gain":2,"made":"2026-05-01T00:00:00Z","from":"2026-05-01T00:00:00Z"}`, 409, "gain"},
		{"GET", "nothing", "", 404, "there is no /api/v1/nothing"},
		{"DELETE", "alarms", "", 405, "GET only"},
		{"PUT", "notes", "", 405, "GET, POST only"},
	} {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), c.method, "/api/v1/"+c.path, strings.NewReader(c.body)))
		if w.Code != c.code || !strings.Contains(w.Body.String(), c.want) {
			t.Errorf("%s %s %s: %d %s, want %d and %q", c.method, c.path, c.body, w.Code, w.Body, c.code, c.want)
		}
		var reply wire.Reply
		if err := json.Unmarshal(w.Body.Bytes(), &reply); c.code >= 400 && (err != nil || reply.Error == "" || strings.Contains(reply.Error, "2006") || strings.Contains(reply.Error, "Go ")) {
			t.Errorf("%s %s %s: %s is no JSON refusal in plain words", c.method, c.path, c.body, w.Body)
		}
	}
}

func TestNotesAndCalibrationsAreKept(t *testing.T) {
	d := runSimulated(t, 10*time.Minute)
	h := d.site.API()
	if code := ask(t, h, "POST", "notes", `{"enclosure":"a-1-1","by":"Robin","text":"fed,\n clutch seen"}`, nil); code != 200 {
		t.Fatalf("note: %d", code)
	}
	var notes []wire.Note
	if code := ask(t, h, "GET", "notes?enclosure=a-1-1", "", &notes); code != 200 || len(notes) != 1 || notes[0].Text != "fed, clutch seen" || notes[0].By != "Robin" {
		t.Errorf("notes: %d, %+v", code, notes)
	}
	if code := ask(t, h, "GET", "notes?enclosure=a-1-2", "", &notes); code != 200 || len(notes) != 0 {
		t.Errorf("another enclosure's notes: %d, %+v", code, notes)
	}
	before, _ := d.Latest("a-1-1-canopy")
	body := `{"id":"c1","probe":"a-1-1-canopy","quantity":"temperature","gain":1,"offset":-0.5,"uncertainty":0.2,"method":"ice","by":"Robin",` +
		`"made":"2026-05-01T06:00:00Z","from":"2026-05-01T06:00:00Z"}`
	if code := ask(t, h, "POST", "calibrations", body, nil); code != 200 {
		t.Fatalf("calibration: %d", code)
	}
	got, _ := d.book.set().At("a-1-1-canopy", before.At.Wall).Apply(before.Raw)
	if want := before.Raw.Temperature - 50; got != want {
		t.Errorf("corrected temperature %v, want %v", got, want)
	}
	records, err := loadCorrections(d.Store())
	if err != nil || len(records) != 1 || records[0].ID != "c1" {
		t.Errorf("on record: %+v, %v", records, err)
	}
}
