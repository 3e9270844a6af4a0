package chart

import (
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
	sp := cfg.SpeciesFor(e)
	c := Chart{
		Title: name(e), From: from, To: to, Location: cfg.Room.Location,
		Panels: []Panel{
			{
				Name: "Temperature", Unit: "°C", Colour: Warm, Least: 4,
				Limits: []Limit{{Name: "lethal limit", Value: float64(sp.Ceiling), Kind: Ceiling}},
			},
			{Name: "Humidity", Unit: "%", Colour: Water, Least: 20, Ends: [2]float64{0, 100}},
		},
	}
	if sp.Floor > 0 {
		c.Panels[1].Limits = []Limit{{Name: "floor", Value: float64(sp.Floor), Kind: Floor}}
		c.Panels[1].Bands = []Band{{Span{from, to}, float64(sp.Floor), 100}}
	}
	lamps, ok := cfg.LampsOf(e)
	if !ok || to.Sub(from) > stepsUpTo {
		c.Panels[0].Bands = []Band{{Span{from, to}, float64(min(sp.Day.Low, sp.Night.Low)), float64(max(sp.Day.High, sp.Night.High))}}
		return c
	}
	c.Dark, c.Panels[0].Bands = steps(lamps, sp, from, to, cfg.Room.Location)
	return c
}

func name(e configs.Enclosure) string {
	if e.Name != "" {
		return e.Name
	}
	return e.ID
}

// steps follows the lamp schedule.
func steps(lamps configs.Lamps, sp configs.Species, from, to time.Time, loc *time.Location) (dark []Span, bands []Band) {
	for at := from; at.Before(to); {
		next := lamps.NextChange(at, loc)
		if next.IsZero() || next.After(to) {
			next = to
		}
		span, band := Span{at, next}, sp.Day
		if !lamps.IsOn(at, loc) {
			band = sp.Night
			dark = append(dark, span)
		}
		bands = append(bands, Band{span, float64(band.Low), float64(band.High)})
		at = next
	}
	return dark, bands
}
