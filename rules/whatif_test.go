package rules

import (
	"math"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules/climate"
	"dewline/sensors"
	"dewline/sensors/table"
)

// TestWhatIf asks about a hot room. The order of magnitude is that of
// the usual glass-tank figures (computed from glass area and U, common
// practice): air follows the room within
// hours, so a room above the lethal limit ends above it and a cooler one does not.
func TestWhatIf(t *testing.T) {
	cfg, err := table.Decode("demo.toml", configs.Demo())
	if err != nil {
		t.Fatal(err)
	}
	e := New(cfg)
	start := time.Date(2026, 7, 18, 12, 0, 0, 0, time.UTC)
	for i := range 360 {
		now := sensors.Instant{Mono: time.Duration(i) * 10 * time.Second, Wall: start.Add(time.Duration(i) * 10 * time.Second), Synced: true}
		for _, p := range cfg.Probes {
			if p.Enclosure == "b-1-1" {
				continue // never delivers
			}
			e.Step(&sensors.Reading{
				Probe: sensors.ProbeID(p.ID), At: now, Has: sensors.HasTemperature | sensors.HasHumidity,
				Temperature: sensors.CelsiusOf(23.5), Humidity: sensors.PercentOf(85), Quality: sensors.Good,
			})
		}
		e.Tick(now)
	}
	off := false
	hot, cool := e.WhatIf(Assumption{Room: 33, LampsOn: &off}), e.WhatIf(Assumption{Room: 22, LampsOn: &off})
	if len(hot) != len(cfg.Enclosures) || len(cool) != len(hot) {
		t.Fatalf("%d and %d prospects for %d enclosures", len(hot), len(cool), len(cfg.Enclosures))
	}
	if hot[0].Lethal != 28.5 {
		t.Errorf("the worst is %s with a ceiling of %.1f °C, want the lowest ceiling of the room, 28.5 °C", hot[0].Enclosure, hot[0].Lethal)
	}
	for i, p := range hot {
		switch {
		case p.Enclosure == "b-1-1":
			if p.Now != nil || i != len(hot)-1 {
				t.Errorf("a blind enclosure is known=%v at place %d", p.Now != nil, i)
			}
		case p.ToLethal == nil || p.ToLethal.D() <= 0 || p.ToLethal.D() > 12*time.Hour:
			t.Errorf("%s in a room of 33 °C: ceiling reached after %v", p.Enclosure, p.ToLethal)
		case i > 0 && *p.ToLethal < *hot[i-1].ToLethal:
			t.Errorf("%s stands behind a later one", p.Enclosure)
		}
	}
	for _, p := range cool {
		if p.Now != nil && (p.ToLethal != nil || *p.Peak > 25) {
			t.Errorf("%s in a room of 22 °C: peak %.1f °C, reached %v", p.Enclosure, *p.Peak, p.ToLethal != nil)
		}
	}
	on := true
	lit := e.WhatIf(Assumption{Room: 33, LampsOn: &on})
	if !(*lit[0].ToLethal < *hot[0].ToLethal) {
		t.Errorf("with the lamps on the ceiling comes after %s, not before %s without", lit[0].ToLethal.D(), hot[0].ToLethal.D())
	}
}

// A room that warms dries its wet enclosures, which keeps them half a degree cooler than
// what only follows it: 0.02 °C a gram of 91 L, and wet air of 33.5 °C holds 14 g/m³ more
// than of 23.5 °C (saturated, 36.4 and 21.2 g/m³, Magnus). Damp air that is let in takes
// that away, and what nobody knows is not counted on.
func TestWhatIf_EvaporationCools(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.run(6*time.Hour, func(id string, _ time.Duration) *sensors.Reading {
		x := r.good("room", 22, 50)
		if id != "room" {
			x = r.good(id, 23.5, 85)
		}
		return &x
	})
	off := false
	peak := func(percent float64) float64 {
		a := Assumption{Room: 33, LampsOn: &off}
		if percent > 0 {
			a.Humidity = &percent
		}
		return float64(*r.e.WhatIf(a)[0].Peak)
	}
	// 22 °C at 50 % are 9.7 g/m³, which 33 °C hold at 27 %; at 90 % it is 32.
	kept, same, damp := peak(0), peak(27), peak(90)
	if math.Abs(kept-same) > 0.05 || damp-kept < 0.2 || damp-kept > 0.4 {
		t.Errorf("peaks of %.2f °C in air of as much vapour, %.2f at 27 %%, %.2f at 90 %%", kept, same, damp)
	}
}

// Whether to open or to keep shut in a hot room is decided by its humidity
// (breeding notes, section 10): 33.5 °C at 25 % has a wet bulb of 19.22 °C, at 85 %
// one of 31.21 °C, above every lethal limit of the demo room.
func TestWhatIf_AirBlownIn(t *testing.T) {
	cfg, err := table.Decode("demo.toml", configs.Demo())
	if err != nil {
		t.Fatal(err)
	}
	e := New(cfg)
	now := sensors.Instant{Mono: time.Hour, Wall: time.Date(2026, 7, 18, 12, 0, 0, 0, time.UTC), Synced: true}
	for _, p := range cfg.Probes {
		e.Step(&sensors.Reading{
			Probe: sensors.ProbeID(p.ID), At: now, Has: sensors.HasTemperature | sensors.HasHumidity,
			Temperature: sensors.CelsiusOf(24.5), Humidity: sensors.PercentOf(85), Quality: sensors.Good,
		})
	}
	for _, c := range []struct {
		rh   float64 // 0 for not known
		want climate.Blow
	}{{25, climate.BlowVent}, {85, climate.BlowShut}, {0, climate.BlowUnknown}, {140, climate.BlowUnknown}} {
		a := Assumption{Room: 33.5}
		if c.rh > 0 {
			a.Humidity = &c.rh
		}
		for _, p := range e.WhatIf(a) {
			if p.BlownIn != c.want || (p.WetBulb != nil) != (c.want != climate.BlowUnknown) {
				t.Errorf("%s in 33.5 °C and %g %%: %s, wet bulb %v", p.Enclosure, c.rh, p.BlownIn, p.WetBulb)
			}
		}
	}
}

// Where nothing is assumed of the lamps they are as they are by schedule, and an
// enclosure without lamps has none.
func TestWhatIf_LampsBySchedule(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, ""))
	r.run(time.Minute, r.calm)
	r.e.v.Enclosures[1].Lamps = -1
	on, off := true, false
	peaks := func(a Assumption) (by [2]float64) {
		a.Room = 25
		for _, p := range r.e.WhatIf(a) {
			by[p.Enclosure[1]-'1'] = float64(*p.Peak)
		}
		return by
	}
	asIs, lit, dark := peaks(Assumption{}), peaks(Assumption{LampsOn: &on}), peaks(Assumption{LampsOn: &off})
	if asIs[0] != lit[0] || asIs[1] != dark[1] || lit[0] <= dark[0] {
		t.Errorf("as they are %v, on %v, off %v", asIs, lit, dark)
	}
}
