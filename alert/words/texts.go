// Package words makes what a person reads of an alarm from its facts, for one
// reader's scale. Every phrase stands once, in a table by alarm, fact or step.
package words

import (
	"bytes"
	"cmp"
	_ "embed"
	"fmt"
	"slices"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"dewline/rules/alarm"
	"dewline/rules/climate"

	"github.com/pelletier/go-toml/v2"
)

// State names where an alarm stands in one or two words.
func State(s alarm.State) string { return cmp.Or(inEnglish().States[s.String()], "not known") }

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

// OneLine makes one line of any text: nothing that is no character or turns the order
// of others around, single spaces.
func OneLine(s string) string {
	return strings.Join(strings.FieldsFunc(s, func(r rune) bool {
		return r == ' ' || unicode.IsControl(r) || r == unicode.ReplacementChar || unicode.Is(unicode.Bidi_Control, r)
	}), " ")
}

// Capital makes the first letter one.
func Capital(s string) string {
	r, size := utf8.DecodeRuneInString(s)
	if size == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[size:]
}

//go:embed english.toml
var english []byte

// texts are what english.toml holds, by the ids of package alarm.
type texts struct {
	Headlines, Endings  map[alarm.ID]string
	Facts               map[alarm.FactID]string
	Single              map[alarm.FactID]string // in place of a fact whose count is one
	Steps               map[alarm.Step]string
	Phrases             map[string]string // of notices, beside the words of their alarms
	Silences            map[string]silence
	States              map[string]string // by the standards' codes
	Contacts            map[string][2]string
	Certificates        map[string]string
	Blown               map[climate.Blow]string
	Causes, Heat        map[string]string
	Standings, Answered map[string]string // where an alarm stands, and where somebody answered it
}

// A silence is what is said of one way to put alarms away.
type silence struct{ Title, Line string }

// inEnglish reads the texts, once; a test holds them against the ids.
var inEnglish = sync.OnceValue(func() (t texts) {
	d := toml.NewDecoder(bytes.NewReader(english)).DisallowUnknownFields()
	if err := d.Decode(&t); err != nil {
		panic(fmt.Sprintf("words: embedded texts: %v", err))
	}
	return t
})

// fill fills a text in: in braces stands the name of a value. Name, value, name, value.
func fill(text string, pairs ...string) string {
	for i := 0; i < len(pairs); i += 2 {
		pairs[i] = "{" + pairs[i] + "}"
	}
	return strings.NewReplacer(pairs...).Replace(text)
}

func say(id string, pairs ...string) string { return fill(inEnglish().Phrases[id], pairs...) }

// Headline says in a few words what an alarm means to a keeper: "too warm".
func Headline(a alarm.ID) string { return cmp.Or(inEnglish().Headlines[a], string(a)) }

// Blown says what to do with air that could be blown in.
func Blown(b climate.Blow) string { return inEnglish().Blown[b] }
