// Package words makes what a person reads of an alarm from its facts, for one
// reader's scale. Every phrase stands once, in a table by alarm, fact or step.
package words

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"dewline/rules/alarm"
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
