package words

import "strings"

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
