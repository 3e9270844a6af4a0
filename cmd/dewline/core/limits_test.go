package core

import (
	"math/rand/v2"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/sensors"
	"dewline/store"
)

func TestLimitsOfFollowThePhotoperiod(t *testing.T) {
	cfg := decode(t, string(configs.Demo()))
	limits := LimitsOf(cfg)
	day := at(time.Hour, true) // 13:00, lamps on from 08:00 to 20:00
	night := day
	night.Wall = night.Wall.Add(-10 * 3600e9)
	var tinctorius configs.Species
	for _, e := range cfg.Enclosures {
		if e.ID == "a-1-1" {
			tinctorius = cfg.SpeciesFor(e)
		}
	}
	d, n := limits("a-1-1-canopy", day), limits("a-1-1-canopy", night)
	byDay, byNight := tinctorius.Watched(tinctorius.Day), tinctorius.Watched(tinctorius.Night)
	if *d.High != sensors.CelsiusOf(float64(byDay.High)) || *n.High != sensors.CelsiusOf(float64(byNight.High)) {
		t.Errorf("upper ends %v by day and %v by night, want %v and %v", *d.High, *n.High, byDay.High, byNight.High)
	}
	if *d.Lethal != sensors.CelsiusOf(float64(tinctorius.Lethal)) || *d.Floor != sensors.PercentOf(float64(tinctorius.Floor)) {
		t.Errorf("ceiling %v and floor %v", *d.Lethal, *d.Floor)
	}
	if l := limits("room", day); l != (store.Limits{}) {
		t.Errorf("a probe in the room has limits: %+v", l)
	}
}

// The record counts time in the band by the band that the rules show at that
// very instant: over days of any lamp schedule and settling time, clock set or
// not, and over both changes of the clocks.
func TestLimitsOf_AgreeWithTheRules(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 11))
	names := map[string]int{}
	for run := range 60 {
		cfg := demoConfig(t)
		zone := []string{"Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "UTC"}[run%4]
		loc, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		cfg.Room.Location = loc
		cfg.Rules.BandSettle = configs.Duration(time.Duration(rng.IntN(7)) * 47 * time.Minute)
		for i := range cfg.Lamps {
			cfg.Lamps[i].On = configs.ClockSpan{From: configs.ClockTime(rng.IntN(1440)), To: configs.ClockTime(rng.IntN(1440))}
		}
		cfg.Enclosures[run%len(cfg.Enclosures)].Lamps = "" // one knows no day
		limits, engine := LimitsOf(cfg), rules.New(cfg)
		// Near a change of the clocks in one of these zones, or on any day.
		wall := []time.Time{
			time.Date(2026, 3, 28, 12, 0, 0, 0, time.UTC), time.Date(2026, 10, 24, 12, 0, 0, 0, time.UTC),
			time.Date(2026, 3, 7, 12, 0, 0, 0, time.UTC), time.Date(2026, 4, 4, 6, 0, 0, 0, time.UTC),
			time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(rng.IntN(365*24)) * time.Hour),
		}[run%5]
		now := sensors.Instant{Mono: time.Hour, Wall: wall}
		for now.Wall.Sub(wall) < 36*time.Hour {
			now.Synced = rng.IntN(8) > 0
			engine.Tick(now)
			for i, v := range engine.Enclosures() {
				for _, p := range cfg.ProbesOf(cfg.Enclosures[i].ID) {
					l := limits(sensors.ProbeID(p.ID), now)
					if l.Low.Celsius() != v.BandLow || l.High.Celsius() != v.BandHigh {
						t.Fatalf("run %d, %s at %s, set %v: the record counts %v to %v, the rules judge %v to %v (%s)",
							run, v.ID, now.Wall.In(loc), now.Synced, *l.Low, *l.High, v.BandLow, v.BandHigh, v.BandName)
					}
				}
				names[v.BandName]++
			}
			now = now.Add(time.Duration(1+rng.IntN(3600)) * time.Second)
		}
	}
	if names["day"] == 0 || names["night"] == 0 || names["day or night"] == 0 {
		t.Errorf("not every band was in force: %v", names)
	}
}
