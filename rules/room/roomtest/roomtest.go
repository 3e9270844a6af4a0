// Package roomtest makes views of invented rooms, for the tests of judges.
package roomtest

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/rules/room"
	"dewline/sensors"
	"dewline/sensors/table"
)

// Noon is a moment at which the lamps have been on for four hours.
var Noon = sensors.Instant{Mono: 12 * time.Hour, Wall: time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC), Synced: true}

// View is a room at Noon with a room probe and n enclosures of D. tinctorius,
// each with a probe in the litter, the room's own being the first; extra is added
// to its configuration.
func View(t testing.TB, n int, extra string) *room.View {
	t.Helper()
	var b strings.Builder
	b.WriteString("[room]\nid = \"r\"\nname = \"Room\"\ntimezone = \"UTC\"\npoll = \"10 s\"\n" +
		"[[lamps]]\nid = \"day\"\non = \"08:00-20:00\"\n[[mist]]\nid = \"m\"\ntimes = [\"12:00\"]\n" +
		"[[probe]]\nid = \"room\"\nfamily = \"simulated\"\nplace = \"room\"\n")
	for i := 1; i <= n; i++ {
		fmt.Fprintf(&b, "[[enclosure]]\nid = \"e%d\"\nname = \"Tank %d\"\nrack = \"a\"\nshelf = 1\nslot = %d\n"+
			"species = \"dendrobates-tinctorius\"\nstage = \"adult\"\nvolume = \"90 L\"\nlamps = \"day\"\nmist = \"m\"\n", i, i, i)
		fmt.Fprintf(&b, "[[probe]]\nid = \"p%d\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"e%d\"\n", i, i)
	}
	cfg, err := table.Decode("room.toml", []byte(b.String()+extra))
	if err != nil {
		t.Fatal(err)
	}
	v := room.NewView(cfg, room.Clock{})
	v.At, v.Latest = Noon, Noon
	v.ReadClock(Noon)
	for i := range v.Probes {
		Says(v, i, 24, 85)
	}
	return v
}

// Says makes a probe tell a temperature in °C and a humidity in %, now.
func Says(v *room.View, probe int, celsius, percent float64) {
	p, at := &v.Probes[probe], v.At
	st := &p.St
	st.Temp, st.TempAt, st.HasTemp = sensors.CelsiusOf(celsius), at.Mono, true
	st.Hum, st.HumAt, st.HasHum = sensors.PercentOf(percent), at.Mono, true
	st.Last, st.Heard, st.Good, st.Interval, st.Readings = at, at, at, 10*time.Second, st.Readings+1
	st.StillAt = at.Mono
	if p.Encl >= 0 {
		v.Enclosures[p.Encl].St.At = at
		v.Combine(&v.Enclosures[p.Encl], at.Mono)
	}
}

// Usual lets an enclosure have been so many °C warmer than the room at every hour of
// some days.
func Usual(en *room.Enclosure, celsius float64, days int) {
	for i := range 24*days + 1 {
		for range 3 {
			en.St.Offset.Observe(float64(i%24), celsius)
		}
	}
}

// Found collects what judges find. It sets nothing in motion.
type Found struct {
	List   []room.Finding
	Raised []alarm.Priority
	Told   []event.Body
}

// Find notes a finding.
func (f *Found) Find(x room.Finding) { f.List = append(f.List, x) }

// Raise notes a priority.
func (f *Found) Raise(_ *room.Alarm, p alarm.Priority) { f.Raised = append(f.Raised, p) }

// Tell notes a fact for the log.
func (f *Found) Tell(_ sensors.Instant, b event.Body) { f.Told = append(f.Told, b) }

// Last is the last finding about an alarm; false for none.
func (f *Found) Last(k alarm.Kind) (room.Finding, bool) {
	for i := len(f.List) - 1; i >= 0; i-- {
		if f.List[i].Alarm.Kind == k {
			return f.List[i], true
		}
	}
	return room.Finding{}, false
}
