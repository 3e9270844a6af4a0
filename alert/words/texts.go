// Package words makes what a person reads of an alarm from its facts, for one
// reader's scale. Every phrase stands once, in a table by alarm, fact or step.
package words

import (
	"bytes"
	"cmp"
	_ "embed"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"

	"github.com/pelletier/go-toml/v2"
)

// A phrase is a text of a notice. In braces stands what is filled in.
type phrase string

// with fills a phrase in: name, value, name, value.
func (p phrase) with(pairs ...string) string {
	for i := 0; i < len(pairs); i += 2 {
		pairs[i] = "{" + pairs[i] + "}"
	}
	return strings.NewReplacer(pairs...).Replace(string(p))
}

// What a notice says, beside the words of its alarms.
const (
	drillTitle = "Drill: please acknowledge"
	drillText  = "This tests the way from the room to you. Nothing is wrong."
	drillFirst = "Acknowledge this notice."
	overFirst  = "Look at the animals when you can."

	silencedFirst = "Ask whoever it was, and undo it if it is not meant."

	severalAtOnce = "Several at once"

	askedNext phrase = "Nobody before you has answered this. "
	askedOnly phrase = "Nobody before you can be reached. "

	// titles
	several    phrase = "{scope}: {what} in {who}"
	severalOf  phrase = "{scope}: {what}, {n} {kind}"
	manyProbes phrase = "{n} probes: {what}"
	ofScope    phrase = "{scope}: {what}"
	likeAll    phrase = "{n} {kind}"
	likeOne    phrase = "{name}, {all} affected"
	likeSome   phrase = "{n} {kind}, {all} affected"
	withWorst  phrase = "{title}, worst {value}"
	withValue  phrase = "{title}, {value}"

	// titles about heat
	butCooling phrase = "{head}, but cooling: {name} {state}"
	oneAhead   phrase = "{head}: {name}, {when}"
	oneCould   phrase = "{head}: {name} {when}"
	oneNear    phrase = "{head}: {name} nears its lethal limit"
	oneOf      phrase = "{head}: {name} {state}"
	oneLethal  phrase = "{head}: {name} {state}, {n} affected"
	manyLethal phrase = "{head}: {n} enclosures at their lethal limit, worst {name} {value}"
	manyWarm   phrase = "{head}: {n} enclosures, worst {name} {value}"

	// what one enclosure is in
	backBelow   phrase = "back below its lethal limit, {value}"
	atLethal    phrase = "at its lethal limit, {value}"
	heatingUp   phrase = "heating up: {when}"
	heatsToward phrase = "heating up toward its lethal limit"
	tooLong     phrase = "hot for too long, {value}"
	wasTooWarm  phrase = "was too warm, now {value}"
	tooWarm     phrase = "too warm, {value}"
	headedFor   phrase = "nearing its lethal limit"
	hotTooLong  phrase = "hot for too long"

	// lines
	worstFirst   phrase = "{n} {kind}, worst first.\n"
	newNames     phrase = "New: {names}.\n"
	newNamesMore phrase = "New: {names} and {n} more.\n"
	alsoNames    phrase = "Also {what}: {names}.\n"
	andMore      phrase = "and {n} more.\n"
	why          phrase = "Why: {list}.\n"
	notCounted   phrase = "Not counted: {list}.\n"
	notKnown     phrase = "Not known: {list}.\n"
	clockNotSet  phrase = "The board's clock is not set; times may be wrong.\n"
	firstly      phrase = "First: {do}\n"
	withLimit    phrase = " (limit {limit})"
	withLethal   phrase = " (lethal limit {limit})"
	wholeRoom    phrase = " with the whole room"
	left         phrase = "{value} left"
	backNotLong  phrase = ", back in range, but not for long"

	// what is over
	endedAll    phrase = "Over: {what}"
	endedGone   phrase = "No longer watched, not over: {what}"
	endedMixed  phrase = "Over or no longer watched: {what}"
	endedAway   phrase = "Put away, not over: {what}"
	endedOrAway phrase = "Over or put away: {what}"
	endedMilder phrase = "Milder, not over: {what}"
	endedOf     phrase = "{scope}, {what}"
	endedIn     phrase = "{scope}, {what} in {n} {kind}"
	endedAmong  phrase = "{scope}, {what} in {who}"
	fromTo      phrase = "From {from} to {to}, {span}."
	worstWas    phrase = " Worst {value}{limit} at {name}."
	heldTogeth  phrase = "\n{n} alarms are back to normal and kept until somebody resets them."
	goneOne     phrase = "{name}: no longer in the configuration; nobody watches it now."
	shelvedOne  phrase = "{name}: shelved{by}, not over."
	outOne      phrase = "{name}: taken out of service{by}."
	mutedOne    phrase = "{name}: muted, part of another alarm."
	heldOne     phrase = "{name}: back to normal, kept until somebody resets it."
	byWhom      phrase = " by {who}"
	answeredBy  phrase = "\nAcknowledged by {who}."

	// what is ahead
	lethalWhen   phrase = "lethal limit {when}"
	lethalAtWhen phrase = "lethal limit ({limit}) {when}"
	couldReach   phrase = "could reach its lethal limit in {span}"
	couldReachAt phrase = "could reach its lethal limit ({limit}) in {span}"
	lampsOffBuys phrase = "turning the lamps off now buys {gain}"
	risingBy     phrase = "rising {rate}/h"
	fallingBy    phrase = "falling {rate}/h"
	shelfOf      phrase = "shelf {shelf} of {rack}"
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

// contactSays are what a contact says where it is active and where it is not.
var contactSays = map[string][2]string{
	"mains": {"the mains are there", "the mains are away"}, "pump": {"the pump runs", "the pump stands still"},
	"reservoir": {"the reservoir is low", "the reservoir is full enough"}, "door": {"the door is open", "the door is shut"},
}

// Contact says what a contact of a sense says, and for how long.
func Contact(is string, active bool, span time.Duration) string {
	said := contactSays[is][1]
	if active {
		said = contactSays[is][0]
	}
	return said + ", for " + Span(span)
}

// Battery says how full a battery is, in "%" or "V".
func Battery(charge float64, unit string, low bool) string {
	text := strconv.FormatFloat(charge, 'f', -1, 64) + " " + unit
	if low {
		text += ", low"
	}
	return text
}

//go:embed english.toml
var english []byte

// texts are what english.toml holds, by the ids of package alarm.
type texts struct {
	Headlines, Endings map[alarm.ID]string
	Facts              map[alarm.FactID]string
	Single             map[alarm.FactID]string // in place of a fact whose count is one
	Steps              map[alarm.Step]string
}

// inEnglish reads the texts, once; a test holds them against the ids.
var inEnglish = sync.OnceValue(func() (t texts) {
	d := toml.NewDecoder(bytes.NewReader(english)).DisallowUnknownFields()
	if err := d.Decode(&t); err != nil {
		panic(fmt.Sprintf("words: embedded texts: %v", err))
	}
	return t
})

// write fills a phrase in. v and l are the alarm's value and limit.
func write(f *alarm.Fact, v, l string, s unit.Scale) string {
	text := inEnglish().Facts[f.ID]
	if f.Count == 1 {
		text = cmp.Or(inEnglish().Single[f.ID], text)
	}
	if !strings.ContainsRune(text, '{') {
		return text
	}
	warmer, above := "warmer", "above"
	if f.Cooler {
		warmer, above = "cooler", "below"
	}
	ahead := "in " + v
	if f.Ahead != nil {
		ahead = In(*f.Ahead)
	}
	warmth := Figure{Value: float64(f.Temperature), Unit: "°C", Lethal: float64(f.Lethal)}.Text(s)
	size := unit.TemperatureDelta(math.Abs(float64(f.Delta)))
	return strings.NewReplacer(
		"{note}", f.Note, "{v}", v, "{l}", l, "{about}", f.About, "{warmer}", warmer, "{above}", above, "{ahead}", ahead,
		"{t}", warmth.Value, "{lethal}", warmth.Lethal,
		"{d}", size.Text(s, 1), "{d0}", size.Text(s, 0), "{d+}", plus(float64(f.Delta))+f.Delta.Text(s, 1), "{change}", f.Delta.Text(s, 1),
		"{others}", unit.TemperatureDelta(math.Abs(float64(f.Others))).Text(s, 1),
		"{p}", Humidity(f.Percent), "{p+}", plus(f.Percent)+unit.Number(f.Percent, 1)+" %", "{usual}", Humidity(f.Usual),
		"{percent}", Percent(f.Percent), "{was}", Percent(f.Usual),
		"{n}", strconv.Itoa(f.Count), "{of}", strconv.Itoa(f.Of), "{ago}", Span(f.For),
		"{clock}", clock(f.At, "15:04"), "{moment}", clock(f.At, "2 Jan 15:04"), "{day}", clock(f.At, "2 Jan 2006"), "{certificate}", Certificate(f.About),
	).Replace(text)
}

// plus is the sign of what is not negative.
func plus(v float64) string {
	if v >= 0 {
		return "+"
	}
	return ""
}

// certificates names those that dewline depends on, by the subject of their alarm.
var certificates = map[string]string{
	"page": "the page's certificate", "broker": "the broker's certificate",
	"broker-client": "dewline's own certificate for the broker", "broker-authority": "the authority of the broker's certificate",
	"mail": "the mail server's certificate", "mail-authority": "the authority of the mail server's certificate",
}

// Certificate names the one that certificate-due is about.
func Certificate(subject string) string {
	return cmp.Or(certificates[subject], "the certificate "+subject)
}

// Fact writes one as a clause.
func Fact(f alarm.Fact, s unit.Scale) string { return write(&f, "", "", s) }

// Facts writes each fact as a clause.
func Facts(list []alarm.Fact, s unit.Scale) []string {
	out := make([]string, 0, len(list))
	for i := range list {
		if text := write(&list[i], "", "", s); text != "" {
			out = append(out, text)
		}
	}
	return out
}

// clock writes a room's time; one that is none stays as it is.
func clock(t alarm.LocalTime, layout string) string {
	at, err := time.Parse(alarm.LocalLayout, string(t))
	if err != nil {
		return string(t)
	}
	return at.Format(layout)
}

// Headline says in a few words what an alarm means to a keeper: "too warm".
func Headline(a alarm.ID) string { return cmp.Or(inEnglish().Headlines[a], string(a)) }

// water is what frogs bear: chlorine and cold harm.
const water = "dechlorinated or RO water at room temperature"

// box says how warm a box is to be: colder than that harms too.
func box(s unit.Scale) string {
	return "thermometer inside, " + unit.Temperature(20).Number(s, 0) + "–" + unit.Temperature(22).Text(s, 0) +
		", never under " + unit.Temperature(18).Text(s, 0)
}

func step(id alarm.Step, d *alarm.Detail, s unit.Scale) string {
	text := inEnglish().Steps[id]
	if !strings.ContainsRune(text, '{') {
		return text
	}
	air := alarm.Air{}
	if d.Air != nil {
		air = *d.Air
	}
	return strings.NewReplacer("{box}", box(s), "{water}", water, "{wet}", wetBulb(air.Room, s), "{outside}", wetBulb(air.Outside, s)).Replace(text)
}

func wetBulb(celsius *float64, s unit.Scale) string {
	if celsius == nil { // of an older record
		return "not known"
	}
	return unit.Temperature(*celsius).Text(s, 1)
}

// blown says in a few words whether air is to be let in.
var blown = map[climate.Blow]string{
	climate.BlowVent:    "vents open, fan, wet every ten minutes",
	climate.BlowEither:  "vents and wet, or shut: go by the thermometer inside",
	climate.BlowShut:    "keep shut, move the animals, cool the room",
	climate.BlowUnknown: "not known: the humidity of the air is not",
}

// Blown says what to do with air that could be blown in.
func Blown(b climate.Blow) string { return blown[b] }

// FirstAction writes what to do first as one text: several steps are numbered.
func FirstAction(d *alarm.Detail, s unit.Scale) string {
	if d.FirstAction != "" {
		return d.FirstAction
	}
	if len(d.Steps) == 1 {
		return step(d.Steps[0], d, s)
	}
	var b strings.Builder
	for i, id := range d.Steps {
		if i > 0 {
			b.WriteByte(' ')
		}
		fmt.Fprintf(&b, "%d %s", i+1, step(id, d, s))
	}
	return b.String()
}

// shortMessage is how many characters of the first action fit into a message on
// a phone.
const shortMessage = 200

// DoFirst is as many whole steps of the first action as fit into a short message,
// at least one.
func DoFirst(d *alarm.Detail, s unit.Scale) string {
	if d.FirstAction != "" || len(d.Steps) == 0 {
		return d.FirstAction
	}
	text := step(d.Steps[0], d, s)
	for _, id := range d.Steps[1:] {
		longer := text + " " + step(id, d, s)
		if len([]rune(longer)) > shortMessage {
			break
		}
		text = longer
	}
	return text
}
