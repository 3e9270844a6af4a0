package page

import (
	"cmp"
	"slices"

	"dewline/alert"
	"dewline/rules"
	"dewline/rules/alarm"
)

// A status is how an enclosure stands, in one word and one sign. The sign
// says the same as the colour.
type status struct {
	Class string // of the style sheet
	Sign  string
	Word  string
	rank  int // the higher the worse
}

var (
	statusWake  = status{"wake", "▲", "act now", 5}
	statusBlind = status{"blind", "?", "no readings", 4}
	statusToday = status{"today", "!", "look today", 3}
	statusNote  = status{"note", "·", "a note", 1}
	statusOut   = status{"out", "–", "out of service", 0}
	statusFine  = status{"fine", "✓", "fine", 0}
)

// signOf is the sign of an alarm or a notice.
func signOf(p alarm.Priority) string {
	switch p {
	case alarm.Wake:
		return statusWake.Sign
	case alarm.Note:
		return statusNote.Sign
	}
	return statusToday.Sign
}

func statusOf(v *rules.EnclosureView) status {
	switch {
	case v.OutOfService:
		return statusOut
	case v.Worst != nil && *v.Worst == alarm.Wake:
		return statusWake
	case v.Blind:
		return statusBlind
	case v.Worst != nil && *v.Worst == alarm.Today:
		return statusToday
	case v.Worst != nil:
		return statusNote
	}
	return statusFine
}

// headroom is how far an enclosure is below its lethal heat, in °C.
func headroom(v *rules.EnclosureView) float64 { return v.Lethal - v.Temperature.Value }

func worstFirst(list []rules.EnclosureView) []*rules.EnclosureView {
	out := make([]*rules.EnclosureView, len(list))
	for i := range list {
		out[i] = &list[i]
	}
	slices.SortStableFunc(out, func(a, b *rules.EnclosureView) int {
		if c := cmp.Compare(statusOf(b).rank, statusOf(a).rank); c != 0 {
			return c
		}
		return cmp.Compare(headroom(a), headroom(b))
	})
	return out
}

// activeAlarms returns the alarms that a person should know of, by enclosure;
// those of a probe count for the enclosure it hangs in.
func activeAlarms(snap *alert.Snapshot) map[string][]alarm.ID {
	home := make(map[string]string, len(snap.Probes))
	for i := range snap.Probes {
		home[snap.Probes[i].ID] = snap.Probes[i].Enclosure
	}
	out := map[string][]alarm.ID{}
	for _, a := range snap.Alarms {
		if !a.State.Annunciated() {
			continue
		}
		id := a.Key.Subject
		if e := home[id]; e != "" {
			id = e
		}
		out[id] = append(out[id], a.Key.Alarm)
	}
	return out
}

// A gauge is a small picture of where a value stands, in units of 100: the
// band, the lethal limit and the value itself.
type gauge struct {
	BandFrom, BandWide int
	Lethal, Value      int
	Known              bool
}

// gaugeOf spans from 4 °C below the band to 1 °C above the lethal limit.
func gaugeOf(v *rules.EnclosureView) gauge {
	low, high := min(v.BandLow, v.Lethal)-4, v.Lethal+1
	at := func(c float64) int { return int(min(max((c-low)/(high-low)*100, 0), 100)) }
	g := gauge{BandFrom: at(v.BandLow), Lethal: at(v.Lethal), Known: v.Temperature.Known}
	g.BandWide = at(v.BandHigh) - g.BandFrom
	g.Value = at(v.Temperature.Value)
	return g
}
