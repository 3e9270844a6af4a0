package chart

import (
	"cmp"
	"time"

	"dewline/configs"
)

// stepsUpTo is the longest span in which day and night are told apart; beyond
// it they would be stripes.
const stepsUpTo = 16 * 24 * time.Hour

// Climate returns the chart of one enclosure without its values: a panel of
// temperature and one of humidity, with the band, the limits and the
// lamps-off hours that the configuration gives for [from, to).
func Climate(cfg *configs.Config, e configs.Enclosure, from, to time.Time) Chart {
	sp := cfg.SpeciesOn(e, to.Add(-time.Second))
	c := Chart{
		Title: cmp.Or(e.Name, e.ID), From: from, To: to, Location: cfg.Room.Location,
		Panels: []Panel{
			{
				Name: "Temperature", Unit: "°C", Colour: Warm, Least: 4,
				Limits: []Limit{{Name: "lethal limit", Value: float64(sp.Lethal)}},
			},
			{Name: "Humidity", Unit: "%", Colour: Water, Least: 20, Ends: [2]float64{0, 100}},
		},
	}
	if sp.Floor > 0 {
		c.Panels[1].Limits = []Limit{{Name: "floor", Value: float64(sp.Floor)}}
		c.Panels[1].Bands = days(cfg, e, from, to, func(s *configs.Species) configs.Band { return configs.Band{Low: configs.Celsius(s.Floor), High: 100} })
	}
	lamps, ok := cfg.LampsOf(e)
	if !ok || to.Sub(from) > stepsUpTo {
		c.Panels[0].Bands = days(cfg, e, from, to, func(s *configs.Species) configs.Band {
			return configs.Band{Low: min(s.Day.Low, s.Night.Low), High: max(s.Day.High, s.Night.High)}
		})
		return c
	}
	c.Dark, c.Panels[0].Bands = steps(cfg, e, lamps, from, to)
	return c
}

// days follows the limits from day to day; equal ones make one band.
func days(cfg *configs.Config, e configs.Enclosure, from, to time.Time, of func(*configs.Species) configs.Band) (bands []Band) {
	for at := from; at.Before(to); {
		next := at.Add(24 * time.Hour)
		if next.After(to) {
			next = to
		}
		s := cfg.SpeciesOn(e, at)
		b := Band{Span{at, next}, float64(of(&s).Low), float64(of(&s).High)}
		if n := len(bands); n > 0 && bands[n-1].Low == b.Low && bands[n-1].High == b.High {
			bands[n-1].To = next
		} else {
			bands = append(bands, b)
		}
		at = next
	}
	return bands
}

// steps follows the lamp schedule, each step by the limits of the day that it
// begins on.
func steps(cfg *configs.Config, e configs.Enclosure, lamps configs.Lamps, from, to time.Time) (dark []Span, bands []Band) {
	for at := from; at.Before(to); {
		next := lamps.NextChange(at, cfg.Room.Location)
		if next.IsZero() || next.After(to) {
			next = to
		}
		sp := cfg.SpeciesOn(e, at)
		span, band := Span{at, next}, sp.Day
		if !lamps.IsOn(at, cfg.Room.Location) {
			band = sp.Night
			dark = append(dark, span)
		}
		bands = append(bands, Band{span, float64(band.Low), float64(band.High)})
		at = next
	}
	return dark, bands
}
