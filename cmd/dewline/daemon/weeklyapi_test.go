package daemon

import (
	"encoding/json"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"dewline/alert/summary"
	"dewline/cmd/dewline/core"
	"dewline/configs"
	"dewline/sensors"
	"dewline/store"
)

// summaryDaemon is a daemon that does not run, with three days of one probe on
// record: Monday to Wednesday of week 47 of 2026.
func summaryDaemon(t *testing.T) *Daemon {
	t.Helper()
	p := newPost(t, summaryPeople, berlin(t, "2026-11-23 12:00:00"))
	d, err := New(Options{Config: p.cfg, Dir: t.TempDir(), Log: slog.New(slog.DiscardHandler),
		Source: func(*configs.Config, func() sensors.Instant, map[sensors.ProbeID]sensors.Ageing) (Source, error) {
			return nil, nil
		}})
	if err != nil {
		t.Fatal(err)
	}
	d.now = func() sensors.Instant { return p.now }
	d.loop.channels = &channels{}
	d.record.rec = newRecorder(nil, d.log, nil)
	st, _, err := store.Open(t.Context(), store.Options{Dir: d.o.Dir, Limits: core.LimitsOf(p.cfg)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = st.Close(t.Context()) })
	d.record.store.Store(st)
	d.record.rec.Attach(st)
	from := berlin(t, "2026-11-16 00:00:00")
	for at := time.Duration(0); at < 72*time.Hour; at += time.Minute {
		s := sensors.Sample{Has: sensors.HasTemperature | sensors.HasHumidity, Temperature: 2300, Humidity: 8200}
		st.Append(sensors.Reading{Probe: "p1", At: sensors.Instant{Mono: time.Hour + at, Wall: from.Add(at), Synced: true},
			Has: s.Has, Temperature: s.Temperature, Humidity: s.Humidity, Raw: s, Quality: sensors.Good})
	}
	if err := st.Flush(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	return d
}

func (d *Daemon) ask(method, target, body string) *httptest.ResponseRecorder {
	rec := httptest.NewRecorder()
	d.site.API().ServeHTTP(rec, httptest.NewRequest(method, target, strings.NewReader(body)))
	return rec
}

func TestSummaryAPI(t *testing.T) {
	d := summaryDaemon(t)
	for _, c := range []struct {
		target, kind, holds string
		code                int
	}{
		{"/api/v1/summary", "text/html; charset=utf-8", "2026-W47", 200}, // the last whole week
		{"/api/v1/summary?week=2026-W47&format=html", "text/html; charset=utf-8", `src="data:image/png;base64,`, 200},
		{"/api/v1/summary?week=2026-W47&format=text", "text/plain; charset=utf-8", "4 days were not measured", 200},
		{"/api/v1/summary?week=2026-W47&format=text&units=F", "text/plain; charset=utf-8", "73.4 °F", 200},
		{"/api/v1/summary?week=2026-W47&format=json", "application/json; charset=utf-8", `"week":"2026-W47"`, 200},
		{"/api/v1/summary?week=2026-W02&format=text", "text/plain; charset=utf-8", "Nothing was measured", 200},
		{"/api/v1/summary?week=2026-W47&format=pdf", "application/json; charset=utf-8", "html, text or json", 400},
		{"/api/v1/summary?week=47", "application/json; charset=utf-8", "no week", 400},
		{"/api/v1/summary?week=2027-W02", "application/json; charset=utf-8", "has not begun", 400},
	} {
		rec := d.ask("GET", c.target, "")
		if rec.Code != c.code || rec.Header().Get("Content-Type") != c.kind || !strings.Contains(rec.Body.String(), c.holds) {
			t.Errorf("%s: %d %s, want %d %s with %q:\n%.600s", c.target, rec.Code, rec.Header().Get("Content-Type"), c.code, c.kind, c.holds, rec.Body)
		}
	}
	html := d.ask("GET", "/api/v1/summary?week=2026-W47", "")
	if csp := html.Header().Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "script") {
		t.Errorf("policy %q", csp)
	}
	var back summary.Report
	if err := json.Unmarshal(d.ask("GET", "/api/v1/summary?week=2026-W47&format=json", "").Body.Bytes(), &back); err != nil || back.Enclosures[0].Missing != 4*24*60 {
		t.Errorf("read back: %v, %+v", err, back.Enclosures)
	}
}

// TestSummaryAPIRefuses: without a mail section nothing is sent, and without a
// record nothing is made up.
func TestSummaryAPIRefuses(t *testing.T) {
	d := summaryDaemon(t)
	for _, c := range []struct {
		body, holds string
		code        int
	}{
		{`{"week":"2026-W47","by":"sam"}`, "[mail]", http.StatusConflict},
		{`{"week":"2026-W47"}`, "say who you are", http.StatusConflict},
		{`{"weak":1}`, "not what is expected", http.StatusBadRequest},
	} {
		if rec := d.ask("POST", "/api/v1/summary", c.body); rec.Code != c.code || !strings.Contains(rec.Body.String(), c.holds) {
			t.Errorf("%s: %d %s", c.body, rec.Code, rec.Body)
		}
	}
	d.record.store.Store(nil)
	if rec := d.ask("GET", "/api/v1/summary", ""); rec.Code != http.StatusServiceUnavailable {
		t.Errorf("without a record: %d %s", rec.Code, rec.Body)
	}
}
