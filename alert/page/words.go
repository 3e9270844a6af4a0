package page

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"

	"dewline/alert"
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

// span writes a duration for people: "40 s", "12 min", "5 h 20 min", "3 d".
func span(d time.Duration) string {
	switch {
	case d < time.Second:
		return "0 s"
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", int(math.Round(d.Minutes())))
	case d < 10*time.Hour:
		m := int(math.Round(d.Minutes()/10)) * 10
		if m%60 == 0 {
			return fmt.Sprintf("%d h", m/60)
		}
		return fmt.Sprintf("%d h %d min", m/60, m%60)
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h", int(math.Round(d.Hours())))
	}
	return fmt.Sprintf("%d d", int(math.Round(d.Hours()/24)))
}

// short writes a duration in one number: "28 min", "4 h", "3 d".
func short(d time.Duration) string {
	if d >= 90*time.Minute && d < 48*time.Hour {
		return fmt.Sprintf("%d h", int(math.Round(d.Hours())))
	}
	return span(d)
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

// short writes it without: "24.3".
func (u units) short(celsius float64) string { return unit.Temperature(celsius).Number(u.scale, 1) }

// delta writes a difference of temperatures.
func (u units) delta(kelvins float64) string { return unit.TemperatureDelta(kelvins).Text(u.scale, 1) }

// limits writes a band: "22–26 °C".
func (u units) limits(low, high float64) string {
	return trim(u.of(low)) + "–" + trim(u.of(high)) + " " + u.name()
}

func trim(v float64) string { return strings.TrimSuffix(unit.Number(v, 1), ".0") }

// figure writes the value of an alarm with what it is a value of.
func (u units) figure(id rules.AlarmID, v float64, name string) string {
	q := u.quantity(id, v, name)
	switch id {
	case rules.Exposure:
		return unit.Number(v, 0) + " % of the reference heat dose"
	case rules.CertificateDue:
		return q + " left"
	}
	return q
}

// quantity writes a value of an alarm with its unit.
func (u units) quantity(id rules.AlarmID, v float64, name string) string {
	switch name {
	case "°C":
		if alarm.IsDelta(id) {
			return u.delta(v)
		}
		return u.temp(v)
	case "":
		return ""
	case "s":
		return span(time.Duration(v * float64(time.Second)))
	case "min":
		return span(time.Duration(v * float64(time.Minute)))
	case "d":
		return unit.Number(math.Floor(v), 0) + " d"
	}
	return unit.Number(v, 1) + " " + name
}

// minutes writes a range of minutes, rounded to what it is good for.
func minutes(r *rules.Range) string {
	from, to := time.Duration(r.FromMinutes*float64(time.Minute)), time.Duration(r.ToMinutes*float64(time.Minute))
	if to-from < time.Minute {
		return span(from)
	}
	if to < 2*time.Hour {
		return fmt.Sprintf("%.0f–%.0f min", math.Floor(r.FromMinutes), math.Ceil(r.ToMinutes))
	}
	return span(from) + " – " + span(to)
}

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
		text = "over, held until acknowledged and reset"
	case alarm.LatchAck:
		text = "over, held until reset"
		if a.AckedBy != "" {
			text = "over, acknowledged by " + a.AckedBy + ", held until reset"
		}
	case alarm.Shelved:
		text = "shelved for another " + span(a.ShelfLeft)
	case alarm.OutOfService:
		text = "out of service for another " + span(a.ShelfLeft)
	case alarm.Suppressed:
		text = "set aside: it follows from another alarm"
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
	"shelve":         "Shelved.",
	"unshelve":       "Taken from the shelf.",
	"reset":          "Reset.",
	"out-of-service": "Out of service. It comes back by itself at the end.",
	"in-service":     "Back in service.",
	"note":           "The note is kept.",
}
