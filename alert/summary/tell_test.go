package summary

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
)

// Whatever a week was like, english.tmpl says it: random reports, in which every figure may
// be unknown, none or large.
func TestSay_whateverTheWeek(t *testing.T) {
	for seed := range uint64(60) {
		var b strings.Builder
		r := rand.New(rand.NewPCG(seed, 1))
		yes := func() bool { return r.IntN(3) > 0 }
		some := func(max float64) *float64 {
			if r.IntN(4) == 0 {
				return nil
			}
			return new([]float64{0, 0.003, 0.996, 1, max, r.Float64() * max}[r.IntN(6)])
		}
		f := func(max float64) float64 {
			return []float64{0, 0.002, 0.01, max, r.Float64() * max, r.Float64() * max}[r.IntN(6)]
		}
		w := WeekOf(time.Date(2026, 11, 18+int(seed)%300, 0, 0, 0, 0, time.UTC), time.UTC)
		at := func() time.Time { return w.From().Add(time.Duration(r.Int64N(int64(7 * 24 * time.Hour)))) }
		spread := func() *Spread {
			if r.IntN(4) == 0 {
				return nil
			}
			a := 15 + f(10)
			return &Spread{a, a + 2, a + f(9)}
		}
		dry := func() DryDown {
			return DryDown{HalfLife: some(100), Pulses: 3, Trend: []string{"", "slower", "faster", "as usual"}[r.IntN(4)]}
		}
		figs := func() Figures {
			g := Figures{Covered: f(10080), Missing: f(400), InBand: some(1), Day: Climate{spread(), spread()}, Night: Climate{spread(), spread()}, BelowMin: some(300), AboveMin: some(100), Drop: some(4), Mist: Mist{r.IntN(14), r.IntN(5), r.IntN(4), r.IntN(4)}, DryDown: dry(), Exposure: Exposure{yes(), f(2), f(30), f(1), f(100)}, Unrecorded: r.IntN(9) == 0}
			return g
		}
		ids := []alarm.ID{alarm.AboveBand, alarm.LethalLimit, alarm.HumidityFloor, alarm.BelowBand, alarm.ProbeWet, alarm.DoorAjar, alarm.LampStuck, alarm.ConfigRefused, alarm.DeliveryStalled}
		exc := func(n int, subj string) (l []Excursion) {
			for range n {
				x := Excursion{Alarm: ids[r.IntN(len(ids))], Subject: subj, Priority: alarm.Priority(r.IntN(3)), From: at(), Peak: some(31), PeakAt: at(), AckedBy: []string{"", "Ada"}[r.IntN(2)], AckedIn: f(100), Shelved: yes(), began: !yes()}
				if yes() {
					x.To = x.From.Add(time.Duration(r.Int64N(int64(40 * time.Hour))))
				}
				l = append(l, x)
			}
			return l
		}
		probes := func(n int) (l []Probe) {
			for i := range n {
				p := Probe{ID: fmt.Sprint("p", i), Place: "canopy", Readings: uint64(r.IntN(3) * 500), Suspect: uint64(r.IntN(2) * 3), Bad: uint64(r.IntN(2) * 4), Reasons: map[string]uint64{"pinned-wet": 3, "": 2}, Missing: f(50), NoRaw: r.IntN(9) == 0}
				p.Good = p.Readings - min(p.Readings, p.Suspect+p.Bad)
				if yes() {
					p.Calibrated = at()
				}
				l = append(l, p)
			}
			return l
		}
		quiet := func(l []Excursion) []Excursion {
			for i := range l {
				l[i].Peak = nil
			}
			return l
		}
		notes := func(n int) (l []Note) {
			for range n {
				l = append(l, Note{at(), "Ada\nB", "fed |\n twice"})
			}
			return l
		}
		rep := &Report{Week: w.String(), RoomName: "Room", Stretch: Stretch{w.From(), w.To()}, Made: w.To(), Until: w.To(), next: w.Next(), supply: map[string]string{}, Blind: f(60)}
		if !yes() {
			rep.Until = w.From().Add(80 * time.Hour)
		}
		if seed%40 == 0 {
			rep.NoData = true
		}
		if seed%80 == 0 {
			rep.Begins = w.To().Add(time.Hour)
		}
		for i := range r.IntN(4) {
			id := fmt.Sprint("e-", i)
			e := Enclosure{ID: id, Name: "Tank " + id, Rack: []string{"a", "b"}[i%2], Shelf: 1, Slot: i, Species: "Frog", Stage: []string{"adult", "egg", ""}[r.IntN(3)],
				Limits: Limits{22, 26, 19, 22, f(70), 30, f(3), yes(), yes()}, Figures: figs(), Before: figs(), Excursions: exc(r.IntN(9), id), Others: quiet(exc(r.IntN(8), id)), Probes: probes(r.IntN(3)), Notes: notes(r.IntN(2)), since: at(), young: !yes()}
			for range r.IntN(8) {
				e.Nights = append(e.Nights, Night{at(), some(3)})
			}
			rep.Enclosures = append(rep.Enclosures, e)
			rep.supply[id] = "pump"
		}
		q := &rep.Alarms
		*q = Quality{Count: r.IntN(3) * 5, PerDay: f(4), FourWeeks: f(4), ByPriority: map[string]int{"note": 1, "today": 2, "wake": 3}, BusiestDay: 4, Floods: r.IntN(3), Longest: f(300), Answers: Answers{r.IntN(3), f(100), f(200), r.IntN(4), f(300)}, Shelved: 2, Notices: r.IntN(3), Wakes: r.IntN(3), Nightly: r.IntN(3), Escalated: 1, Before: r.IntN(20), unheard: r.IntN(3)}
		if yes() {
			q.Chattering, q.Stale = []string{"above-band/e-0/0", "door-ajar/e-1/0"}, []string{"config-refused/broker/0"}
			rep.open = []string{"above-band/e-0/4"}
		}
		for i := range r.IntN(4) {
			q.Top = append(q.Top, Count{Alarm: ids[i], Subject: fmt.Sprint("e-", i), N: 3 - i})
		}
		rep.Others, rep.Probes, rep.Notes = quiet(exc(r.IntN(9), []string{"dewline", alarm.Broker, "e-0"}[r.IntN(3)])), probes(r.IntN(3)), notes(r.IntN(3))
		if yes() {
			rep.Drill = Drill{Last: at(), Answered: yes(), Result: []string{"", "answered after 3 s"}[r.IntN(2)], Due: at().Add(time.Duration(r.IntN(20)) * 24 * time.Hour)}
		}
		for i := range r.IntN(16) {
			rep.Due = append(rep.Due, Due{fmt.Sprint("p", i), "e-0", "humidity", at().Add(time.Duration(r.IntN(9)) * 24 * time.Hour), yes()})
		}
		rep.Unknown = []string{"x"}
		for _, u := range []unit.Scale{unit.Celsius, unit.Fahrenheit} {
			fmt.Fprintln(&b, rep.Subject())
			b.WriteString(rep.Text(u))
			for i := range rep.Enclosures {
				fmt.Fprintln(&b, newTeller(u).say("picture", &rep.Enclosures[i]))
			}
			if err := rep.HTML(&b, u, nil, Inside); err != nil {
				t.Fatal(err)
			}
		}
		if text := b.String(); strings.Contains(text, "(template: ") || strings.Contains(text, "<no value>") {
			i := max(strings.Index(text, "(template: "), strings.Index(text, "<no value>"))
			t.Fatalf("week %d: %s", seed, text[i:min(i+200, len(text))])
		}
	}
}
