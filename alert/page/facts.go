package page

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"unicode"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// trustOf says where a value comes from and how old it is.
func trustOf(m rules.Measure, cfg *configs.Config) string {
	if !m.Ever {
		return "no reading yet"
	}
	text := m.Probe
	for _, p := range cfg.Probes {
		if p.ID == m.Probe {
			text = "probe in the " + string(p.Place)
		}
	}
	switch {
	case m.Known:
		return text
	case m.Doubt != "":
		return text + ", " + doubtWords(m.Doubt)
	}
	return text + ", last value " + words.Span(m.Age) + " ago"
}

func tempMeasure(v *rules.EnclosureView, cfg *configs.Config, u unit.Scale) measure {
	m := measure{Value: "–", Trust: trustOf(v.Temperature, cfg), Bad: true, Judgement: "not known now"}
	if !v.Temperature.Known {
		return m
	}
	t := v.Band.Value // which is of the probe where the frogs live
	m.Value = words.Beside(v.Temperature.Value, v.Lethal, u)
	band := words.Band(v.BandLow, v.BandHigh, u)
	switch {
	case v.Temperature.Value >= v.Lethal:
		m.Judgement = "at its lethal limit"
	case t > v.BandHigh:
		m.Judgement = words.Apart(unit.TemperatureDelta(t-v.BandHigh), u) + " above the " + v.BandName + " band " + band
	case t < v.BandLow:
		m.Judgement = words.Apart(unit.TemperatureDelta(v.BandLow-t), u) + " below the " + v.BandName + " band " + band
	default:
		m.Judgement, m.Bad = "inside the "+v.BandName+" band "+band, false
	}
	return m
}

func humMeasure(v *rules.EnclosureView, cfg *configs.Config) measure {
	m := measure{Value: "–", Trust: trustOf(v.Humidity, cfg), Bad: true, Judgement: "not known now"}
	if v.Humidity.Doubt != "" {
		m.Value = words.Humidity(v.Humidity.Value) + ", " + doubtWords(v.Humidity.Doubt)
	}
	if !v.Humidity.Known {
		return m
	}
	f := words.BesideFloor(v.Humidity.Value, v.Floor)
	m.Value = f.Value
	if v.Humidity.Uncertainty > 0 {
		m.Trust += fmt.Sprintf(", ± %s %%", unit.Number(v.Humidity.Uncertainty, 1))
	}
	switch {
	case v.Floor <= 0:
		m.Judgement, m.Bad = "no floor for this stage", false
	case v.Humidity.Value <= v.Floor: // which is reached at the value itself
		m.Judgement = "at or below the floor of " + f.Limit
	default:
		m.Judgement, m.Bad = "above the floor of "+f.Limit, false
	}
	return m
}

// A measure is a value as a person judges it.
type measure struct {
	Value, Trust, Judgement string
	Bad                     bool
}

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

const (
	maxName = 60  // bytes of who acted
	maxWhy  = 200 // bytes of a reason
)

// line makes one line of free text: no control characters, single spaces, at
// most limit bytes, cut between characters.
func line(text string, limit int) string {
	text = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == unicode.ReplacementChar || unicode.Is(unicode.Bidi_Control, r) {
			return ' '
		}
		return r
	}, text)
	text = strings.Join(strings.Fields(text), " ")
	if len(text) <= limit {
		return text
	}
	return strings.TrimSpace(strings.ToValidUTF8(text[:limit], ""))
}

// scaleOf is what the first person reads temperatures in.
func scaleOf(cfg *configs.Config) unit.Scale {
	if len(cfg.People) == 0 {
		return unit.Celsius
	}
	return unit.ScaleOf(cfg.People[0].Units)
}

func stateText(a *rules.AlarmView) string {
	var text string
	switch a.State {
	case alarm.Unack:
		text = "open"
	case alarm.Acked:
		text = "acknowledged"
	case alarm.RTNUN:
		text = "over, not yet acknowledged"
	case alarm.LatchUnack:
		text = "over, kept until you acknowledge and reset it"
	case alarm.LatchAck:
		text = "over, kept until you reset it"
		if a.AckedBy != "" {
			text = "over, acknowledged by " + a.AckedBy + ", kept until you reset it"
		}
	case alarm.Shelved:
		text = "shelved: quiet for another " + words.Span(a.ShelfLeft)
	case alarm.OutOfService:
		text = "out of service for another " + words.Span(a.ShelfLeft)
	case alarm.Suppressed:
		text = "muted: part of another alarm"
	default:
		text = "normal"
	}
	if a.AckedBy != "" && a.State == alarm.Acked {
		text += " by " + a.AckedBy
	}
	if a.Unknown {
		text += ", cannot be judged at present"
	}
	return text
}

func speciesName(cfg *configs.Config, id string) string {
	i := slices.IndexFunc(cfg.Species, func(s configs.Species) bool { return s.ID == id })
	if i < 0 || cfg.Species[i].Name == "" {
		return id
	}
	return cfg.Species[i].Name
}

// said are the answers to what was done, by the word in the address: text from
// an address is never shown.
var said = map[string]string{
	"acknowledge":    "Acknowledged.",
	"shelve":         "Shelved: it is quiet until then.",
	"unshelve":       "It may be heard again.",
	"reset":          "Reset.",
	"out-of-service": "Out of service. It comes back by itself at the end.",
	"in-service":     "Back in service.",
	"note":           "Saved.",
}

// humText is an enclosure's humidity, empty where none arrives.
func humText(v *rules.EnclosureView) string {
	switch {
	case v.Humidity.Known:
		return words.Humidity(v.Humidity.Value)
	case v.Humidity.Doubt != "":
		return words.Humidity(v.Humidity.Value) + ", " + doubtWords(v.Humidity.Doubt)
	}
	return ""
}

func doubtWords(reason string) string {
	switch reason {
	case sensors.PinnedWet.String(), sensors.DewTooHigh.String():
		return "probe wet"
	}
	return "doubted (" + words.Reason(reason) + ")"
}
