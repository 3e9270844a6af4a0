package words

import (
	"cmp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"dewline/rules/alarm"
)

// states name what the standards have codes for.
var states = map[alarm.State]string{
	alarm.Norm: "normal", alarm.Unack: "open", alarm.Acked: "answered", alarm.RTNUN: "over, open", alarm.LatchUnack: "over, kept, open",
	alarm.LatchAck: "over, kept", alarm.Shelved: "shelved", alarm.Suppressed: "muted", alarm.OutOfService: "out of service",
}

// State names where an alarm stands in one or two words.
func State(s alarm.State) string { return cmp.Or(states[s], "not known") }

// HeadlineOf is Headline for one alarm.
func HeadlineOf(k alarm.Key) string {
	switch {
	case k.Alarm != alarm.ConfigRefused:
	case k.Subject == alarm.Secrets:
		return "a part is off, its secret cannot be read"
	case k.Subject == alarm.Broker:
		return "the broker refuses dewline a part"
	}
	return Headline(k.Alarm)
}

// Headlines joins those of several alarms, each once.
func Headlines(ids []alarm.ID) string {
	var list []string
	for _, id := range ids {
		if h := Headline(id); !slices.Contains(list, h) {
			list = append(list, h)
		}
	}
	return strings.Join(list, ", ")
}

// OneLine makes one line of any text: no control characters, single spaces.
func OneLine(s string) string {
	return strings.Join(strings.FieldsFunc(s, func(r rune) bool { return r == ' ' || unicode.IsControl(r) }), " ")
}

// Capital makes the first letter one.
func Capital(s string) string {
	r, size := utf8.DecodeRuneInString(s)
	if size == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[size:]
}
