package page

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
)

// trustOf says where a value comes from and how old it is.
func trustOf(m rules.Measure) string {
	text := m.Probe
	if m.Place != "" {
		text = "probe in the " + m.Place
	}
	switch {
	case !m.Ever:
		return "no reading yet"
	case m.Known:
		return text
	case m.Doubt != "":
		return text + ", " + doubtWords(m.Doubt)
	}
	return text + ", last value " + words.Span(m.Age) + " ago"
}

// Warmth is its temperature.
func (v look) Warmth() measure {
	u := v.by.scale
	m := measure{Value: "–", Trust: trustOf(v.Temperature), Bad: true, Judgement: "not known now"}
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
		m.Judgement = v.by.Apart(t-v.BandHigh) + " above the " + v.BandName + " band " + band
	case t < v.BandLow:
		m.Judgement = v.by.Apart(v.BandLow-t) + " below the " + v.BandName + " band " + band
	default:
		m.Judgement, m.Bad = "inside the "+v.BandName+" band "+band, false
	}
	return m
}

// Moisture is its humidity.
func (v look) Moisture() measure {
	m := measure{Value: "–", Trust: trustOf(v.Humidity), Bad: true, Judgement: "not known now"}
	if !v.Humidity.Known {
		m.Value = cmp.Or(v.Hum(), m.Value)
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

func signOf(p alarm.Priority) string {
	switch p {
	case alarm.Wake:
		return statusWake.Sign
	case alarm.Note:
		return statusNote.Sign
	}
	return statusToday.Sign
}

// Status is how it stands.
func (v look) Status() status {
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

// A look is one enclosure as a reader sees it.
type look struct {
	*rules.EnclosureView
	by reader
}

func (r reader) looks() []look {
	out := make([]look, len(r.snap.Enclosures))
	for i := range out {
		out[i] = look{&r.snap.Enclosures[i], r}
	}
	return out
}

// Title is its name.
func (v look) Title() string { return cmp.Or(v.Name, v.ID) }

// Stand is where it stands.
func (v look) Stand() string { return configs.PlaceWords(v.Rack, v.Shelf, v.Slot) }

// Headroom is how far it is below its lethal heat, in °C.
func (v look) Headroom() float64 { return v.Lethal - v.Temperature.Value }

// Temp is its temperature, empty where none is known.
func (v look) Temp() string {
	if !v.Temperature.Known {
		return ""
	}
	return words.Beside(v.Temperature.Value, v.Lethal, v.by.scale)
}

// Hum is its humidity, empty where none arrives.
func (v look) Hum() string {
	switch {
	case v.Humidity.Known:
		return words.Humidity(v.Humidity.Value)
	case v.Humidity.Doubt != "":
		return words.Humidity(v.Humidity.Value) + ", " + doubtWords(v.Humidity.Doubt)
	}
	return ""
}

// Reasons say what is the matter, and when it reaches its lethal limit.
func (v look) Reasons() string {
	text := words.Headlines(v.by.active(v.ID))
	if v.ToLethal != nil && v.Headroom() > 0 {
		text += "; " + words.Ahead(*v.ToLethal)
	}
	return strings.TrimPrefix(text, "; ")
}

func (r reader) worstFirst() []look {
	out := r.looks()
	slices.SortStableFunc(out, func(a, b look) int {
		return cmp.Or(cmp.Compare(b.Status().rank, a.Status().rank), cmp.Compare(a.Headroom(), b.Headroom()))
	})
	return out
}

// active are the alarms of an enclosure, and of the probes in it, that a person should
// know of.
func (r reader) active(enclosure string) (ids []alarm.ID) {
	own := map[string]bool{enclosure: true}
	for i := range r.snap.Probes {
		own[r.snap.Probes[i].ID] = r.snap.Probes[i].Enclosure == enclosure
	}
	for _, a := range r.snap.Alarms {
		if a.State.Annunciated() && own[a.Key.Subject] {
			ids = append(ids, a.Key.Alarm)
		}
	}
	return ids
}

// A gauge is a small picture of where a value stands, in units of 100: the
// band, the lethal limit and the value itself.
type gauge struct {
	BandFrom, BandWide int
	Lethal, Value      int
	Known              bool
}

// Gauge spans from 4 °C below the band to 1 °C above the lethal limit.
func (v look) Gauge() gauge {
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

// line makes one line of free text, of at most limit bytes, cut between characters.
func line(text string, limit int) string {
	text = strings.Join(strings.Fields(words.OneLine(text)), " ") // other spaces than plain ones too
	return strings.TrimSpace(strings.ToValidUTF8(text[:min(len(text), limit)], ""))
}

// scaleOf is what the first person reads temperatures in.
func scaleOf(cfg *configs.Config) unit.Scale {
	if len(cfg.People) == 0 {
		return unit.Celsius
	}
	return unit.ScaleOf(cfg.People[0].Units)
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
