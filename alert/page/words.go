package page

import (
	"slices"
	"strings"
	"unicode"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
)

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
	cut := 0
	for i := range text {
		if i > limit {
			break
		}
		cut = i
	}
	return strings.TrimSpace(text[:cut])
}

// units writes temperatures as the first person reads them.
type units struct{ scale unit.Scale }

func unitsOf(cfg *configs.Config) units {
	return units{len(cfg.People) > 0 && alert.Units(cfg.People[0].Units).Scale() == unit.Fahrenheit}
}

func (u units) of(celsius float64) float64 { return unit.Temperature(celsius).In(u.scale) }

func (u units) name() string { return u.scale.Name() }

// temp writes a temperature with its unit: "24.3 °C".
func (u units) temp(celsius float64) string { return unit.Temperature(celsius).Text(u.scale, 1) }

// beside writes a temperature so that it is seen on which side of the lethal limit
// it is.
func (u units) beside(celsius, lethal float64) string {
	return words.Figure{Value: celsius, Unit: "°C", Lethal: lethal}.Text(u.scale).Value
}

// short writes it without: "24.3".
func (u units) short(celsius float64) string { return unit.Temperature(celsius).Number(u.scale, 1) }

// delta writes a difference of temperatures.
func (u units) delta(kelvins float64) string { return unit.TemperatureDelta(kelvins).Text(u.scale, 1) }

// limits writes a band: "22–26 °C".
func (u units) limits(low, high float64) string {
	return trim(u.of(low)) + "–" + trim(u.of(high)) + " " + u.name()
}

func trim(v float64) string { return strings.TrimSuffix(unit.Number(v, 1), ".0") }

// needsAnswer reports whether a person has still to acknowledge.
func needsAnswer(s alarm.State) bool {
	return s == alarm.Unack || s == alarm.RTNUN || s == alarm.LatchUnack
}

// putAway reports whether a person put the alarm away for a time.
func putAway(s alarm.State) bool { return s == alarm.Shelved || s == alarm.OutOfService }

// isOver reports whether an alarm waits for a person though its condition ended.
func isOver(a *rules.AlarmView) bool {
	return a.State == alarm.RTNUN || a.State == alarm.LatchUnack || a.State == alarm.LatchAck
}

// stateText says where an alarm stands.
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

// placeOf says where an enclosure stands, as far as it is known.
func placeOf(v *rules.EnclosureView) string { return configs.PlaceWords(v.Rack, v.Shelf, v.Slot) }

func nameOf(id, name string) string {
	if name != "" {
		return name
	}
	return id
}

// speciesName is the species as people write it.
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
