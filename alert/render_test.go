package alert

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/sensors"
)

func heatNotice() Notice {
	return Notice{
		ID: "ceiling-ahead/e1/1", Version: 1, Kind: Raise, Room: "attic", Cause: tank("e1"), Priority: alarm.Wake,
		Since: t0, Time: t0, ClockSet: true,
		Members: []Member{{
			Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.LethalAhead, Subject: "e1"}, Seq: 1, Priority: alarm.Wake, Value: 31.5, HasValue: true, Limit: 33, HasLimit: true, Unit: "°C", Detail: alarm.Detail{
				DetailHeat:  alarm.DetailHeat{RatePerHour: 2.5, HasRate: true, TimeToLethal: &alarm.Range{FromMinutes: 31.2, ToMinutes: 44.1}, LampsOffGain: &alarm.Range{FromMinutes: 5, ToMinutes: 12}},
				Evidence:    noted("room rises too", "lamps are on"),
				Unknown:     noted("outside temperature"),
				FirstAction: "Lamps off.",
			}}, Name: "North pair", State: unack,
		}},
	}
}

// noted are facts in words from outside.
func noted(list ...string) (facts []alarm.Fact) {
	for _, text := range list {
		facts = append(facts, alarm.Fact{ID: alarm.FactSaid, Note: text})
	}
	return facts
}

func TestRender_celsius(t *testing.T) {
	n := heatNotice()
	warm := n.Members[0]
	warm.Key.Alarm = alarm.AboveBand
	n.Members = append(n.Members, warm)
	m := Render(n, unit.Celsius)
	if m.Title != "North pair heating up: lethal limit in 30–45 min" {
		t.Errorf("title %q", m.Title)
	}
	want := "North pair (e1): 31.5 °C and rising 2.5 °C/h; lethal limit in 30–45 min; turning the lamps off now buys 5–10 min\n" +
		"Why: room rises too; lamps are on.\nNot known: outside temperature.\nFirst: Lamps off."
	if m.Text != want {
		t.Errorf("text\n%s\nwant\n%s", m.Text, want)
	}
	if m.FirstAction != "Lamps off." || m.Cause != "enclosure" || m.CauseID != "e1" {
		t.Errorf("message %+v", m)
	}
}

// Conversions by the definition of the Fahrenheit scale (NIST SP 811, B.8):
// 31.5 °C is 88.7 °F, 33 °C is 91.4 °F; a difference of 2.5 K is 4.5 °F.
func TestRender_fahrenheit(t *testing.T) {
	n := heatNotice()
	n.Members[0].Key.Alarm = alarm.AboveBand
	m := Render(n, unit.Fahrenheit)
	for _, part := range []string{"88.7 °F", "91.4 °F", "rising 4.5 °F/h"} {
		if !strings.Contains(m.Text, part) {
			t.Errorf("text lacks %q: %s", part, m.Text)
		}
	}
	if strings.Contains(m.Title+m.Text, "°C") {
		t.Errorf("°C is left: %s %s", m.Title, m.Text)
	}
}

func TestRender_howMany(t *testing.T) {
	tests := []struct {
		dry, late int
		want      string
	}{
		{3, 0, "too dry in 3 enclosures, worst 31.5 %"},
		{2, 3, "too dry in 2 enclosures, 5 affected, worst 31.5 %"},
		{1, 3, "too dry in North pair, 4 affected, worst 31.5 %"},
		{1, 0, "too dry, 31.5 %"},
	}
	for _, tt := range tests {
		n := heatNotice()
		m := n.Members[0]
		m.Detail, m.Unit = alarm.Detail{}, "%"
		n.Members = nil
		for i := range tt.dry + tt.late {
			m.Key = alarm.Key{Alarm: alarm.HumidityFloor, Subject: string(rune('a' + i))}
			if i >= tt.dry {
				m.Key.Alarm = alarm.MistMissing
			}
			n.Members = append(n.Members, m)
		}
		if got := Render(n, unit.Celsius).Title; !strings.Contains(got, tt.want) {
			t.Errorf("%d and %d: %q, want %q", tt.dry, tt.late, got, tt.want)
		}
	}
}

// The rate under a forecast or a dose is one of temperature, not of minutes or
// percent.
func TestRender_figures(t *testing.T) {
	tests := []struct {
		alarm alarm.ID
		unit  string
		value float64
		title string
		line  string
	}{
		{alarm.LethalAhead, "min", 38, "lethal limit in 30–45 min", "nearing its lethal limit and rising 2.5 °C/h"},
		{alarm.Exposure, "%", 132.4, "132 % of your heat limit", "of your heat limit, hot for too long and rising 2.5 °C/h"},
		{alarm.HumidityFloor, "%", 61.2, "too dry, 61.2 %", "61.2 % (limit 33.0 %)"},
		{alarm.ProbeSilent, "s", 40.2, "silent, 40 s", "40 s (limit 33 s)"},
		{alarm.ProbeSilent, "s", 14400, "silent, 4 h", "4 h (limit 33 s)"},
		{alarm.BlindPeriod, "min", 312, "was not watching, 5 h 10 min", "was not watching, 5 h 10 min (limit 33 min)"},
		{alarm.CertificateDue, "d", 6.9, "certificate runs out, 6 days left", "6 days left (limit 33 days)"},
	}
	for _, tt := range tests {
		n := heatNotice()
		m := &n.Members[0]
		m.Key.Alarm, m.Unit, m.Value = tt.alarm, tt.unit, tt.value
		if !heat(tt.alarm) {
			m.Detail = alarm.Detail{}
		}
		got := Render(n, unit.Celsius)
		if !strings.Contains(got.Title, tt.title) || !strings.Contains(got.Text, tt.line) {
			t.Errorf("%s: title %q text %q", tt.alarm, got.Title, got.Text)
		}
	}
}

func TestRender_everyAlarmHasWords(t *testing.T) {
	ids := []alarm.ID{alarm.LethalLimit, alarm.LethalAhead, alarm.Exposure, alarm.AboveBand, alarm.BelowBand,
		alarm.HumidityFloor, alarm.NightDrop, alarm.MistMissing, alarm.MistWeak, alarm.MistEndless, alarm.DryDown, alarm.DoorAjar,
		alarm.LampStuck, alarm.ProbeSilent, alarm.ProbeFrozen, alarm.ProbeWet, alarm.ProbeJump, alarm.ProbeDisagrees,
		alarm.ProbeOverdue, alarm.ProbeClock, alarm.DeliveryStalled, alarm.RecordIncomplete, alarm.ClockUnset, alarm.BlindPeriod,
		alarm.DrillOverdue, alarm.ConfigRefused, alarm.CertificateDue, alarm.DuplicateRoom, alarm.SentinelSilent, RoomSilent}
	for _, id := range ids {
		n := heatNotice()
		n.Members[0].Key.Alarm, n.Members[0].Detail, n.Members[0].HasValue = id, alarm.Detail{}, false
		m := Render(n, unit.Celsius)
		if strings.HasSuffix(m.Title, ": "+string(id)) || m.FirstAction == "" || m.Text == "" {
			t.Errorf("%s: title %q text %q action %q", id, m.Title, m.Text, m.FirstAction)
		}
	}
}

// What is not an enclosure is not called one, and says in the rules' own words
// what is the matter with it.
func TestRender_subjectsThatAreNoEnclosures(t *testing.T) {
	tests := []struct {
		alarm alarm.ID
		cause alarm.Cause
		unit  string
		title string
		first string
	}{
		{alarm.ProbeSilent, alarm.Cause{Kind: alarm.CauseProbe, ID: "i2c-1"}, "s", "2 probes: silent, worst 90 s", "2 probes, worst first."},
		{alarm.ProbeDisagrees, alarm.Cause{Kind: alarm.CauseProbe, ID: "a"}, "", "2 probes: disagree", "2 probes, worst first."},
		{alarm.CertificateDue, alarm.Cause{Kind: alarm.CauseDewline}, "d", "dewline: certificate runs out, 2 certificates, worst 90 days left", "2 certificates, worst first."},
		{alarm.DeliveryStalled, alarm.Cause{Kind: alarm.CauseDewline}, "s", "dewline: notices do not get through, 2 channels, worst 90 s", "2 channels, worst first."},
	}
	for _, tt := range tests {
		n := Notice{Kind: Raise, Priority: alarm.Today, Cause: tt.cause, ClockSet: true}
		for _, id := range []string{"a", "b"} {
			n.Members = append(n.Members, Member{
				Onset: alarm.Onset{Key: alarm.Key{Alarm: tt.alarm, Subject: id}, Priority: alarm.Today, Cause: tt.cause, Value: 90, HasValue: tt.unit != "", Limit: 33, HasLimit: true, Unit: tt.unit, Text: "What is the matter with " + id + "."}, State: alarm.Unack,
			})
		}
		got := Render(n, unit.Celsius)
		want := tt.first + "\nWhat is the matter with a\nWhat is the matter with b\n"
		if got.Title != tt.title || !strings.HasPrefix(got.Text, want) {
			t.Errorf("%s: title %q text %q", tt.alarm, got.Title, got.Text)
		}
	}
}

func TestRender_scopes(t *testing.T) {
	tests := []struct {
		cause alarm.Cause
		want  string
	}{
		{room, "Room: "},
		{alarm.Cause{Kind: alarm.CauseShelf, ID: "a/1"}, "Shelf 1 of rack a: "},
		{alarm.Cause{Kind: alarm.CauseProbe, ID: "p7"}, "Probe p7: "},
		{alarm.Cause{Kind: alarm.CauseSupply, ID: "pump"}, "Mist supply pump: "},
		{alarm.Cause{Kind: alarm.CauseLamps, ID: "day"}, "Lamp timer day: "},
		{alarm.Cause{Kind: alarm.CauseDoor, ID: "e1"}, "North pair: "},
		{self, "dewline: "},
	}
	for _, tt := range tests {
		n := heatNotice()
		n.Cause = tt.cause
		n.Members[0].Key.Alarm = alarm.HumidityFloor
		if m := Render(n, unit.Celsius); !strings.HasPrefix(m.Title, tt.want) {
			t.Errorf("%v: title %q, want %q…", tt.cause, m.Title, tt.want)
		}
	}
}

func TestRender_longListsAndOddValues(t *testing.T) {
	n := heatNotice()
	for i := range 30 {
		m := n.Members[0]
		m.Key.Subject = fmt.Sprintf("f%02d", i)
		m.Value = math.NaN()
		n.Members = append(n.Members, m)
	}
	n.ClockSet = false
	m := Render(n, unit.Fahrenheit)
	if !strings.Contains(m.Text, "\nAlso lethal limit ahead: North pair (f05), ") || !strings.Contains(m.Text, "(f29).\n") || !strings.Contains(m.Text, "clock is not set") || len(m.Subjects) != 31 {
		t.Errorf("%d subjects: %s", len(m.Subjects), m.Text)
	}
	for i := range 170 {
		m := n.Members[0]
		m.Key.Subject, m.Heard = fmt.Sprintf("g%03d", i), i <= 150
		if i > 150 {
			m.Named = []Naming{{n.ID, n.Version}}
		}
		n.Members = append(n.Members, m)
	}
	for i := range 31 {
		n.Members[i].Heard = true
	}
	n.Kind = Update
	if long := Render(n, unit.Celsius).Text; !strings.Contains(long, "\nNew: North pair (g151), ") || !strings.Contains(long, "(g169).\n") ||
		!strings.Contains(long, " more.\n") || len(long) > 3000 {
		t.Errorf("200 enclosures, %d letters: %s", len(long), long)
	}
	if strings.Contains(m.Text, "NaN") {
		t.Error("NaN reached a person")
	}
	if m := Render(Notice{Kind: Raise, Cause: room}, unit.Celsius); m.Title == "" || m.Subjects == nil {
		t.Errorf("empty notice: %+v", m)
	}
}

// A notice survives its document, also with values that JSON has no form for.
func TestIncident_roundTrip(t *testing.T) {
	r := newRig(t, twoPeople())
	tr := r.tr(change{alarm.LethalAhead, "e1", unack, alarm.Wake, tank("e1"), math.NaN(), 40})
	tr.Detail.TimeToLethal.ToMinutes = math.Inf(1)
	tr.Detail.FirstAction = "Lamps off."
	r.transitions(tr)
	r.pass(time.Minute)
	r.restart()
	open := r.desk.Open()
	if len(open) != 1 || open[0].Notice.ID != "ceiling-ahead/e1/1" || open[0].Message.FirstAction != "Lamps off." {
		t.Errorf("after the restart: %+v", open)
	}
}

func TestNotice_json(t *testing.T) {
	n := heatNotice()
	n.Members[0].Since = sensors.Instant{Mono: time.Minute, Wall: t0, Synced: true}
	data, err := json.Marshal(n)
	if err != nil {
		t.Fatal(err)
	}
	var back Notice
	if err := json.Unmarshal(data, &back); err != nil {
		t.Fatal(err)
	}
	again, _ := json.Marshal(back)
	if !slices.Equal(data, again) {
		t.Errorf("round trip changes a notice:\n%s\n%s", data, again)
	}
}

// Whatever a document holds, restoring it neither panics nor loses the others.
func FuzzRestore(f *testing.F) {
	r := newRig(f, twoPeople())
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, tank("e1"), 34, 0}))
	for _, d := range r.desk.Docs() {
		f.Add(d.Value)
	}
	f.Add([]byte(`{"notice":{"id":"x","members":[{}]},"marks":{"":null},"out":[null],"level":-5}`))
	f.Add([]byte(`{"notice":{"id":"x","kind":"test"}}`))
	f.Add([]byte(`{"notice":{"id":"x","members":[{"key":{"alarm":"above-band","subject":"e1"},"state":"UNACK","priority":"wake"}]},"said":{"at":1},"repeated":-3,"next_repeat":1,"ringing":1}`))
	f.Add([]byte(`null`))
	f.Fuzz(func(t *testing.T, data []byte) {
		r := newRig(t, twoPeople())
		r.docs["notice/x"] = data
		good := newRig(t, twoPeople())
		good.transitions(good.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, tank("e1"), 34, 0}))
		docs := append(good.desk.Docs(), docOf("notice/x", data))
		d := NewDesk(r.opt)
		d.Restore(r.now, docs)
		d.Tick(r.now.Add(time.Hour))
		d.Stats(r.now)
		d.Open()
		if d.book.byID["lethal-ceiling/e1/1"] == nil && d.book.find("lethal-ceiling/e1/1") == nil {
			t.Error("a bad document cost a good one")
		}
	})
}

// What the main notices say, word for word. DEWLINE_GOLDEN=write renews the
// files beside this one.
func TestRender_golden(t *testing.T) {
	warm := func(id, name string, a alarm.ID, p alarm.Priority, now, rate, ceiling, from, to float64) Member {
		m := Member{Onset: alarm.Onset{Key: alarm.Key{Alarm: a, Subject: id}, Seq: 1, Priority: p, Value: now, HasValue: true, Limit: 26, HasLimit: true, Unit: "°C", Detail: alarm.Detail{DetailHeat: alarm.DetailHeat{Temperature: now, Lethal: ceiling, RatePerHour: rate, HasRate: true}}}, Name: name, State: unack}
		if to > 0 {
			m.Detail.TimeToLethal = &alarm.Range{FromMinutes: from, ToMinutes: to}
		}
		switch a {
		case alarm.LethalAhead:
			m.Value, m.Unit, m.Limit = from, "min", 60
		case alarm.LethalLimit:
			m.Limit = ceiling
		}
		return m
	}
	all := []alarm.Step{alarm.AllLampsOff, alarm.VentNoFog, alarm.BlindsIce, alarm.MoveIfRising}
	roomHeat := []alarm.Fact{{ID: alarm.FactRoomUnusual, Temperature: 27.1, Delta: 6}, {ID: alarm.FactTogether, Count: 11, Of: 12, Delta: 1}}
	nearest := warm("b-3-1", "Red Thicket", alarm.LethalAhead, alarm.Wake, 27.9, 1.5, 28.5, 38, 76)
	nearest.Detail.LampsOffGain = &alarm.Range{FromMinutes: 72, ToMinutes: 118}
	nearest.Detail.Evidence, nearest.Detail.Steps = roomHeat, all
	lethal := warm("b-3-1", "Red Thicket", alarm.LethalLimit, alarm.Wake, 28.6, 1.4, 28.5, 0, 0)
	lethal.Detail.Evidence, lethal.Detail.Steps = roomHeat, all
	heater := warm("a-1-1", "Moss Hollow", alarm.LethalAhead, alarm.Wake, 28.2, 6.1, 30, 14, 21)
	heater.Detail.Evidence = []alarm.Fact{{ID: alarm.FactOwn, Delta: 3.1, Others: 0.2}}
	heater.Detail.Steps = []alarm.Step{alarm.PullPlugs, alarm.BoxFrogsRising, alarm.CallVet}
	back := warm("b-2-1", "Three Stripes", alarm.AboveBand, alarm.Today, 25.6, -0.4, 29, 0, 0)
	back.Cause, back.Detail.Steps = tank("b-2-1"), []alarm.Step{alarm.ComingBack}
	dry := Member{Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.HumidityFloor, Subject: "a-1-2"}, Seq: 1, Priority: alarm.Today, Value: 68.9, HasValue: true, Limit: 70, HasLimit: true, Unit: "%", Detail: alarm.Detail{Evidence: []alarm.Fact{{ID: alarm.FactMissed, Count: 2}}, Steps: []alarm.Step{alarm.MistFloor}}}, Name: "Fern Gully", State: unack}
	for name, n := range map[string]Notice{
		"room-ahead": {Cause: room, Members: []Member{nearest,
			warm("a-3-2", "Nursery", alarm.AboveBand, alarm.Wake, 27.6, 1.5, 29, 46, 92),
			warm("b-1-2", "Ember", alarm.AboveBand, alarm.Today, 27.2, 1.6, 29, 0, 0)}},
		"room-lethal": {Cause: room, Members: []Member{lethal,
			warm("a-3-2", "Nursery", alarm.LethalAhead, alarm.Wake, 28.8, 1.5, 29, 6, 14)}},
		"enclosure-ahead": {Cause: tank("a-1-1"), Members: []Member{heater}},
		"enclosure-back":  {Cause: tank("b-2-1"), Members: []Member{back}},
		"floor":           {Cause: tank("a-1-2"), Members: []Member{dry}},
	} {
		n.Kind, n.Time, n.Since, n.ClockSet, n.Priority = Raise, t0, t0, true, alarm.Wake
		got := ""
		for _, u := range []unit.Scale{unit.Celsius, unit.Fahrenheit} {
			m := Render(n, u)
			got += m.Title + "\n" + m.Text + "\n\n"
			if strings.Contains(m.Title+m.Text, "°C") && u == unit.Fahrenheit {
				t.Errorf("%s: °C is left in %s", name, m.Text)
			}
		}
		file := "testdata/" + name + ".txt"
		if os.Getenv("DEWLINE_GOLDEN") == "write" {
			if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s:\n%s\nwant\n%s", name, got, want)
		}
	}
}

// A title about the lethal limit says who is at it now, and "cooling" only of what falls.
func TestRender_AtLethalOrBack(t *testing.T) {
	at := func(id string, value, rate float64) Member {
		return Member{Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.LethalLimit, Subject: id}, Seq: 1, Priority: alarm.Wake, Cause: room, Value: value, HasValue: true, Limit: 28.5, HasLimit: true, Unit: "°C",
			Detail: alarm.Detail{DetailHeat: alarm.DetailHeat{Temperature: value, Lethal: 28.5, RatePerHour: rate, HasRate: true}}}, Name: "Tank " + id, State: unack}
	}
	for title, ms := range map[string][]Member{
		"Room too hot: Tank a back below its lethal limit, 28.46 °C":              {at("a", 28.46, 1.4)},
		"Room too hot, but cooling: Tank a back below its lethal limit, 28.46 °C": {at("a", 28.46, -1.4)},
		"Room too hot: Tank a at its lethal limit, 28.8 °C, 3 affected":           {at("a", 28.8, -1), at("b", 27, -2), at("c", 26, -2)},
		"Room too hot: 2 enclosures at their lethal limit, worst Tank a 29.8 °C":  {at("a", 29.8, -1), at("b", 29, -2), at("c", 26, -2)},
		"Room too hot, but cooling: Tank a back below its lethal limit, 27.0 °C":  {at("a", 27, -1), at("b", 26, -2)},
	} {
		n := Notice{Kind: Raise, Time: t0, Since: t0, ClockSet: true, Priority: alarm.Wake, Cause: room, Members: ms}
		if got := Render(n, unit.Celsius).Title; got != title {
			t.Errorf("%q, want %q", got, title)
		}
	}
}

// What is over tells the furthest past its limit while it lasted, not who is first by the
// values at the end.
func TestRender_OverTellsTheFurthest(t *testing.T) {
	over := func(id string, a alarm.ID, value, peak, limit float64, u string) Member {
		return Member{Onset: alarm.Onset{Key: alarm.Key{Alarm: a, Subject: id}, Seq: 1, Priority: alarm.Wake, Cause: room, Value: value, HasValue: true, Limit: limit, HasLimit: true, Unit: u, Peak: &alarm.Peak{Value: peak, Limit: limit}}, Name: "Tank " + id, State: alarm.Norm}
	}
	for worst, ms := range map[string][]Member{
		"Worst 32.1 °C (limit 28.5 °C) at Tank b (b).": {over("a", alarm.LethalLimit, 25, 32.5, 31, "°C"), over("b", alarm.LethalLimit, 25, 32.1, 28.5, "°C"), over("c", alarm.AboveBand, 25, 33, 26, "°C")},
		"Worst 66.0 % (limit 75.0 %) at Tank b (b).":   {over("a", alarm.HumidityFloor, 90, 63, 70, "%"), over("b", alarm.HumidityFloor, 90, 66, 75, "%")},
	} {
		n := Notice{Kind: FollowUp, Time: t0, Since: t0, ClockSet: true, Priority: alarm.Wake, Cause: room, Members: ms}
		if got := Render(n, unit.Celsius).Text; !strings.Contains(got, worst) {
			t.Errorf("%q, want %q", got, worst)
		}
	}
}
