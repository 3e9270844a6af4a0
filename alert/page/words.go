package page

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
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
	return strings.TrimSpace(strings.ToValidUTF8(text[:limit], ""))
}

// scaleOf is what the first person reads temperatures in.
func scaleOf(cfg *configs.Config) unit.Scale {
	if len(cfg.People) == 0 {
		return unit.Celsius
	}
	return unit.ScaleOf(cfg.People[0].Units)
}

// putAway reports whether a person put the alarm away for a time.
func putAway(s alarm.State) bool { return s == alarm.Shelved || s == alarm.OutOfService }

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

func times(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss in a row", n, what)
}

func doubtWords(reason string) string {
	switch reason {
	case sensors.PinnedWet.String(), sensors.DewTooHigh.String():
		return "probe wet"
	}
	return "doubted (" + words.Reason(reason) + ")"
}
