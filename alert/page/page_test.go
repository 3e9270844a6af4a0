package page

import (
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"dewline/alert/wire"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/climate"
)

var everyPage = []string{"/", "/alarms", "/enclosure/a-1-1", "/enclosure/a-2-1?span=week", "/enclosure/a-2-2?span=year&end=2026-07-01", "/login", "/nowhere", "/answer/lethal-ceiling/a-2-1/7?t=key-of-lethal-ceiling/a-2-1/7"}

// The headers are those that the OWASP HTTP Headers cheat sheet asks for (from
// memory). The policy lets nothing be loaded but the site's own files.
func TestHeadersOfEveryPage(t *testing.T) {
	r := newRig(t, 12)
	for _, path := range append(everyPage, "/style.css", "/live.js", "/icon.svg", "/enclosure/a-1-1/chart.svg") {
		a := r.get(path)
		csp := a.head.Get("Content-Security-Policy")
		if !strings.HasPrefix(csp, "default-src 'none'") || strings.Contains(csp, "script-src 'unsafe") {
			t.Errorf("%s: policy %q", path, csp)
		}
		for name, want := range map[string]string{
			"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "same-origin",
			"Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin",
		} {
			if got := a.head.Get(name); got != want {
				t.Errorf("%s: %s is %q, want %q", path, name, got, want)
			}
		}
		if strings.HasSuffix(a.head.Get("Content-Type"), "html; charset=utf-8") && a.head.Get("Cache-Control") != "no-store" {
			t.Errorf("%s: may be kept: %q", path, a.head.Get("Cache-Control"))
		}
	}
}

// inline are the ways in which a page would need a weaker policy.
var inline = regexp.MustCompile(`(?i)<style|\sstyle=|\son[a-z]+=|javascript:|<script>`)

func TestPagesHoldNothingInline(t *testing.T) {
	r := newRig(t, 12)
	r.login("Ada")
	for _, path := range everyPage {
		if m := inline.FindString(r.get(path).body); m != "" {
			t.Errorf("%s holds %q", path, m)
		}
	}
}

// Every text that a person or a file can put into a page comes out as text.
func TestTextIsNeverMarkup(t *testing.T) {
	r := newRig(t, 12)
	for i := range r.snap.Enclosures {
		r.snap.Enclosures[i].Name, r.cfg.Enclosures[i].Name = evil, evil
		r.snap.Enclosures[i].Rack, r.snap.Enclosures[i].Stage = evil, evil
	}
	for i := range r.snap.Probes {
		r.snap.Probes[i].Quality, r.snap.Probes[i].Reason, r.snap.Probes[i].Place = "suspect", evil, evil
	}
	for i := range r.snap.Alarms {
		a := &r.snap.Alarms[i]
		a.Text, a.AckedBy, a.Detail.FirstAction, a.Detail.Evidence = evil, evil, evil, []alarm.Fact{{ID: alarm.FactSaid, Note: evil + "!"}}
	}
	n := &r.snap.Notices[0]
	n.Message.Title, n.Message.Steps, n.Notice.AckedBy, n.Told = evil, []string{evil}, evil, []string{evil}
	n.Notice.Members[0].Name = evil
	r.snap.RoomName, r.snap.Version, r.snap.RecordWhy, r.snap.Recording = evil, evil, alarm.Fact{ID: alarm.FactRecordNote, Note: evil}, false
	r.snap.Delivery.Stalled, r.cfg.People[0].Name = []string{evil}, evil
	r.notes = []wire.Note{{Time: noon, Enclosure: "a-1-1", By: evil, Text: evil}}
	r.login(evil)
	for _, path := range append(everyPage, "/?said=<script>", "/login?next=/<script>", "/enclosure/a-1-1/chart.svg") {
		a := r.get(path)
		for _, bad := range []string{"<script>alert", "<img src=x", `"'><`} {
			if strings.Contains(a.body, bad) {
				t.Errorf("%s: %q came through as it was given", path, bad)
			}
		}
		if strings.HasPrefix(path, "/alarms") && !strings.Contains(a.body, "&lt;script&gt;") {
			t.Errorf("%s: the text is not shown at all", path)
		}
	}
}

func TestPathsLeadNowhereElse(t *testing.T) {
	r := newRig(t, 12)
	for _, path := range []string{
		"/enclosure/none", "/enclosure/", "/enclosure/..%2f..%2fetc%2fpasswd", "/enclosure/a-1-1/x", "/static/style.css",
		"/html/home.html", "/enclosure/none/chart.svg", "/%2e%2e/%2e%2e/etc/passwd", "/enclosure/%00/chart.svg",
	} {
		if a := r.get(path); a.code != http.StatusNotFound {
			t.Errorf("%s: %d", path, a.code)
		}
	}
	for given, want := range map[string]string{
		"/alarms": "/alarms", "/enclosure/a?span=week": "/enclosure/a?span=week", "": "/", "//evil.example": "/",
		"https://evil.example/": "/", "/\\evil.example": "/", "javascript:alert(1)": "/", "alarms": "/",
		"/%2f/evil.example": "/%2f/evil.example", "/a\r\nSet-Cookie: x": "/", "/x#y": "/x", "http:/evil": "/", "///evil.example": "/",
	} {
		if got := ownPath(given); got != want {
			t.Errorf("ownPath(%q) = %q, want %q", given, got, want)
		}
	}
}

func TestReadingNeedsLoopbackOrASession(t *testing.T) {
	r := newRig(t, 12)
	r.mayRead = false
	for _, path := range []string{"/", "/alarms", "/enclosure/a-1-1", "/enclosure/a-1-1/chart.svg", "/beat"} {
		a := r.get(path)
		if !strings.HasPrefix(a.path, "/login") || strings.Contains(a.body, "Moss Hollow") {
			t.Errorf("%s without a session leads to %s", path, a.path)
		}
	}
	a := r.post("/login", map[string]string{"token": token, "by": "Ada", "next": "/enclosure/a-1-1?span=week"})
	if a.path != "/enclosure/a-1-1?span=week" || !strings.Contains(a.body, "Moss Hollow") {
		t.Errorf("after the login: %d at %s", a.code, a.path)
	}
}

func TestBeforeTheFirstRound(t *testing.T) {
	r := newRig(t, 12)
	r.snap = nil
	for _, path := range []string{"/", "/alarms", "/enclosure/a-1-1"} {
		if a := r.get(path); a.code != http.StatusServiceUnavailable || !strings.Contains(a.body, "just started") {
			t.Errorf("%s: %d", path, a.code)
		}
	}
	if a := r.get("/login"); a.code != http.StatusOK {
		t.Errorf("the login is not there: %d", a.code)
	}
}

// What a keeper must see at the first look, and the order it comes in.
func TestHomeSaysWhatNeedsTheKeeper(t *testing.T) {
	r := newRig(t, 12)
	body := r.get("/").body
	last := -1
	for _, want := range []string{
		"Needs you now", "Low Stone: lethal heat", "<li>All lamps off.</li><li>Call a helper.</li>", "31.2 °C", "told: keeper",
		"Worst first", "no reading", "Missed its mist", "2 pulses in a row", "No night drop", "3 nights in a row", "Calibration due",
		"<h3>Rack a", "<h4>shelf 3", "Bright Shelf", "<h4>shelf 1", "Moss Hollow", "<h3>Rack b", "System", "delivered",
	} {
		at := strings.Index(body[last+1:], want)
		if at < 0 {
			t.Errorf("%q does not come where it should", want)
			continue
		}
		last += at + 1
	}
	worst := body[strings.Index(body, "Worst first"):]
	if a, b := strings.Index(worst, "Low Stone"), strings.Index(worst, "Cork Bend"); a < 0 || b < a {
		t.Error("the enclosure at its ceiling does not come before the blind one")
	}
}

func TestHomeSaysWhenItIsNotTrue(t *testing.T) {
	r := newRig(t, 12)
	calm := r.get("/").body
	r.snap.CycleAt = time.Now().Add(-10 * time.Minute)
	r.snap.At.Synced, r.snap.Recording, r.snap.RecordWhy = false, false, alarm.Fact{ID: alarm.FactRecordNote, Note: "no space left"}
	r.snap.Delivery.Stalled, r.snap.ConfigRefused = []string{"mqtt"}, "line 3"
	body := r.get("/").body
	for _, want := range []string{"No readings for 10 min", "clock has not been set", "no space left", "do not get through by mqtt", "configuration is refused"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not say %q", want)
		}
		if strings.Contains(calm, want) {
			t.Errorf("the page says %q though nothing is wrong", want)
		}
	}
}

func TestACalmRoomSaysSo(t *testing.T) {
	r := newRig(t, 12)
	for i := range r.snap.Enclosures {
		v := &r.snap.Enclosures[i]
		v.Worst, v.Alarms, v.Blind = nil, nil, false
		v.Temperature.Known, v.Temperature.Value = true, 24
	}
	shelved := r.snap.Alarms[4:5]
	r.snap.Notices, r.snap.Alarms = nil, nil
	body := r.get("/").body
	if !strings.Contains(body, "No enclosure has an open alarm. ") || !strings.Contains(body, " below its lethal limit.") || strings.Contains(body, "Needs you now") {
		t.Error("a calm room is not said to be calm")
	}
	r.snap.Alarms = shelved
	if !strings.Contains(r.get("/").body, "One alarm is put away") {
		t.Error("a shelved alarm is passed over")
	}
}

func TestEnclosureShowsTrustBeforeValues(t *testing.T) {
	r := newRig(t, 12)
	for path, want := range map[string][]string{
		"/enclosure/a-1-1": {"24.3 °C", "inside the day band 22–26 °C", "83 %", "± 2.4 %", "above the floor of 70 %", "21.2 °C", "0.52 kPa", "rising 0.4 °C/h", "80 min (usually 95 min)"},
		"/enclosure/a-2-1": {"at its lethal limit", "Above its lethal limit", "Acknowledge"},
		"/enclosure/a-2-2": {"not known now", "last value 60 min ago"},
	} {
		if path == "/enclosure/a-2-1" {
			r.login("Ada")
		}
		body := r.get(path).body
		for _, w := range want {
			if !strings.Contains(body, w) {
				t.Errorf("%s does not say %q", path, w)
			}
		}
	}
	if body := r.get("/enclosure/a-2-2").body; strings.Contains(body, `class="big">24.3`) {
		t.Error("an old value is shown as the present one")
	}
}

func TestFahrenheitForWhoReadsIt(t *testing.T) {
	r := newRig(t, 12)
	r.cfg.People[0].Units = "F"
	body := r.get("/enclosure/a-1-1").body
	// 24.3 °C is 75.74 °F; a rate of 0.4 °C an hour is 0.72 °F an hour.
	for _, want := range []string{"75.7 °F", "rising 0.7 °F/h", "71.6–78.8 °F"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// The limit that the page is built for; BenchmarkHome48 is about how long it takes.
func TestHomeStaysSmall(t *testing.T) {
	r := newRig(t, 48)
	for i := range r.snap.Enclosures {
		v := &r.snap.Enclosures[i]
		v.Name = fmt.Sprintf("A name as long as names get %02d", i)
		v.Worst, v.Alarms = r.snap.Enclosures[2].Worst, r.snap.Enclosures[2].Alarms
	}
	if n := len(r.get("/").body); n > 50_000 {
		t.Errorf("home of 48 enclosures has %d bytes, more than 50 kB", n)
	}
}

// go test ./alert/page -bench Home -benchmem
func BenchmarkHome48(b *testing.B) {
	r := newRig(b, 48)
	h := New(r.options())
	req := httptest.NewRequest(http.MethodGet, "/", nil)
	for b.Loop() {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, req)
		if w.Code != http.StatusOK {
			b.Fatal(w.Code)
		}
		b.ReportMetric(float64(w.Body.Len()), "bytes")
	}
}

func TestQueryIsEscapedInLinks(t *testing.T) {
	r := newRig(t, 12)
	a := r.get("/enclosure/a-1-1?span=" + url.QueryEscape(`week"><b>`) + "&end=" + url.QueryEscape(`2026-01-01"><b>`))
	if a.code != http.StatusOK || strings.Contains(a.body, `"><b>`) {
		t.Errorf("%d; the query comes through as it was given", a.code)
	}
}

// What the rules say in sentences is shown in the reader's wording.
func TestAlarmsInFahrenheit(t *testing.T) {
	r := newRig(t, 12)
	r.cfg.People[0].Units = "F"
	a := &r.snap.Alarms[0]
	a.Text, a.Value, a.HasValue, a.Limit, a.HasLimit, a.Unit = "", 31.2, true, 31, true, "°C"
	a.Detail = alarm.Detail{Value: 31.2, Limit: 31, Place: alarm.Place{Enclosure: "Fern"}, Turn: alarm.TurnActive, Is: alarm.Fact{ID: "lethal-ceiling"},
		Evidence: []alarm.Fact{{ID: alarm.FactOwn, Delta: 2}}}
	body := r.get("/alarms").body
	for _, want := range []string{"88.2 °F", "87.8 °F", "warmer by 3.6 °F"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if strings.Contains(body, "°C") {
		t.Error("the page says °C to who reads °F")
	}
}

// The floor is reached at the value itself, as the rules have it, and the figure
// shows it.
func TestHumidityBesideItsFloor(t *testing.T) {
	for value, want := range map[float64]string{70.1: "above", 70: "at or below", 60: "at or below"} {
		v := rules.EnclosureView{EnclosureLimits: rules.EnclosureLimits{Floor: 70}, EnclosureAir: rules.EnclosureAir{Humidity: rules.Measure{Value: value, Known: true}}}
		m := look{EnclosureView: &v}.Moisture()
		if !strings.HasPrefix(m.Judgement, want+" the floor of 70") || m.Bad != (value <= 70) || (m.Value == strings.TrimPrefix(m.Judgement, want+" the floor of ")) != (value == 70) {
			t.Errorf("%v %%: %+v", value, m)
		}
	}
}

// A wet probe is told as wet, with what it says: it is not silent.
func TestWetProbeIsShown(t *testing.T) {
	r := newRig(t, 12)
	v, p := &r.snap.Enclosures[0], &r.snap.Probes[0]
	v.Humidity = rules.Measure{Value: 99.8, Ever: true, Probe: p.ID, Place: "canopy", Doubt: "pinned-wet"}
	p.Quality, p.Reason, p.Humidity, p.HumidityDoubt, p.Age = "suspect", "pinned-wet", ptr(99.8), "pinned-wet", ptr(rules.Seconds(3*time.Hour))
	for _, path := range []string{"/", "/enclosure/" + v.ID} {
		body := r.get(path).body
		if !strings.Contains(body, "100 %, probe wet") || strings.Contains(body, "silent for") {
			t.Errorf("%s: wet %v, silent %v", path, strings.Contains(body, "probe wet"), strings.Contains(body, "silent for"))
		}
	}
}

// Where it is hot the page says whether to let the room's air in, also where
// nobody knows.
func TestFacts_AirBlownIn(t *testing.T) {
	wet := 31.2
	v := rules.EnclosureView{EnclosureAir: rules.EnclosureAir{Temperature: rules.Measure{Value: 30.5, Known: true}, BlownIn: climate.BlowShut, RoomWet: &wet}, EnclosureLimits: rules.EnclosureLimits{Warn: 27.5, Act: 28.5, Lethal: 30}}
	say := func() string {
		var b strings.Builder
		if err := loadAssets().pages.ExecuteTemplate(&b, "outlook", enclosurePage{View: look{EnclosureView: &v}}); err != nil {
			t.Fatal(err)
		}
		return html.UnescapeString(regexp.MustCompile("<[^>]*>").ReplaceAllString(b.String(), "|"))
	}
	if got := say(); !strings.Contains(got, "|Wet bulb of the room's air||31.2 °C|") || !strings.Contains(got, "|Room air blown in|||! |keep shut, move the animals, cool the room|") {
		t.Error(got)
	}
	v.RoomWet, v.BlownIn = nil, climate.BlowUnknown
	if got := say(); strings.Contains(got, "Wet bulb") || !strings.Contains(got, "|Room air blown in|||! |not known: the humidity of the air is not|") {
		t.Error(got)
	}
	if v.Temperature.Value = 25; strings.Contains(say(), "blown in") {
		t.Error("said where it is not hot")
	}
}

// A tile does not round what is below the lethal limit up to it.
func TestTileBesideItsLethalLimit(t *testing.T) {
	v := rules.EnclosureView{EnclosureLimits: rules.EnclosureLimits{Lethal: 30}, EnclosureAir: rules.EnclosureAir{Temperature: rules.Measure{Value: 29.97, Known: true}}}
	if got := (look{&v, reader{scale: unit.Celsius}}).Temp(); got != "29.97 °C" {
		t.Errorf("the tile says %s, the list 29.97 °C", got)
	}
	if got := (look{&v, reader{scale: unit.Fahrenheit}}).Temp(); got != "85.9 °F" {
		t.Errorf("the tile says %s", got)
	}
}
