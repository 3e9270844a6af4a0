package rules

import (
	"fmt"
	"strings"

	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules/alarm"
)

// A situation is what an advice depends on beside the alarm and its cause. The
// zero value knows nothing.
type situation struct {
	known              bool             // there is a trustworthy temperature, or heat that is believed without
	hot                unit.Temperature // at the hottest place
	cold               bool             // at or below the limit to act on at the cold side
	act, ceiling       unit.Temperature
	night              bool // the lamps are off by schedule
	falling, rising    bool // by more than noise
	back               bool // on the right side of the alarm's limit again
	doubt              bool // a probe of the enclosure takes no part, or is doubted
	lampsOn, lampsStep bool // what a lamp that did not switch should be, where known
	cups               bool // eggs or tadpoles live there, not frogs
}

// situationOf looks at the enclosure that the alarm is about.
func (e *Engine) situationOf(s *slot) situation {
	var en *enclosure
	switch {
	case s.kind.Row().Of == alarm.OfEnclosure:
		en = &e.encls[s.subj]
	case s.kind.Row().Of == alarm.OfProbe && e.probes[s.subj].encl >= 0:
		en = &e.encls[e.probes[s.subj].encl]
	default:
		return situation{}
	}
	p, r := &en.now, &s.rec
	sit := situation{
		known: p.hasTemp, hot: degrees(p.hot), act: degrees(en.lim.act), ceiling: degrees(en.lim.ceiling),
		cold: p.hasTemp && p.main <= en.lim.cold, doubt: p.doubt,
		cups:  en.cfg.Stage == configs.Egg || en.cfg.Stage == configs.Tadpole,
		night: en.lamps >= 0 && e.lamps[en.lamps].known && !e.lamps[en.lamps].on,
	}
	if slope, ok := en.st.Trend.Slope(); ok {
		sit.falling, sit.rising = slope.PerHour < -climbs, slope.PerHour > climbs
	}
	switch {
	case s.kind == alarm.KindLethal && r.Life.Seen == alarm.Beyond && (!sit.known || sit.hot < unit.Temperature(r.Value)):
		sit.known, sit.hot = true, unit.Temperature(r.Value)
	case s.kind == alarm.KindAbove && r.HasValue && r.HasLimit:
		sit.back = r.Value < r.Limit
	case s.kind == alarm.KindBelow && r.HasValue && r.HasLimit:
		sit.back = r.Value > r.Limit
	}
	if step, ok := en.st.Lamps.Step(); ok {
		sit.lampsOn, sit.lampsStep = step.On, true
	}
	return sit
}

// advise fills in what to do first as things stand now.
func (e *Engine) advise(s *slot, d *Detail) {
	if !s.rec.Life.Active {
		return
	}
	steps := []string{s.rec.Given.FirstAction}
	if steps[0] == "" {
		steps = advice(s.kind, s.rec.Cause, e.situationOf(s))
	}
	d.FirstAction, d.DoFirst = listed(steps), beginning(steps)
}

// FirstAction is what to do first about an alarm of which nothing else is
// known, for a reader's scale; empty where the rules know none.
func FirstAction(id AlarmID, c Cause, scale unit.Scale) string {
	k, ok := alarm.KindOf(id)
	if !ok {
		return ""
	}
	return unit.Write(listed(advice(k, c, situation{})), scale)
}

// listed writes steps as one text: several are numbered.
func listed(steps []string) string {
	if len(steps) == 1 {
		return steps[0]
	}
	var b strings.Builder
	for i, s := range steps {
		if i > 0 {
			b.WriteByte(' ')
		}
		fmt.Fprintf(&b, "%d %s", i+1, s)
	}
	return b.String()
}

// shortMessage is how many characters of the first action fit into a message on
// a phone.
const shortMessage = 200

// beginning is as many whole steps as fit into a short message, at least one.
func beginning(steps []string) string {
	if len(steps) == 0 {
		return ""
	}
	text := steps[0]
	for _, s := range steps[1:] {
		longer := text + " " + s
		if len([]rune(unit.Write(longer, unit.Celsius))) > shortMessage {
			break
		}
		text = longer
	}
	return text
}

// Steps that several situations share. They are the trade's (common practice,
// no source, but for the dangers of ice and of carbon monoxide).
const (
	look     = "Look at the frogs and at a second thermometer."
	lookWet  = "Look at moss and glass."
	handMist = "hand-mist with dechlorinated or RO water"
	lightly  = "mist lightly with dechlorinated water"
	keepOn   = "Keep the alarm on."
)

// box says how a box is to be: colder than that harms too.
var box = "thermometer inside, " + unit.Temperature(20).MarkNumber(0) + "–" + unit.Temperature(22).Mark(0) +
	", never under " + unit.Temperature(18).Mark(0)

// advice is what to do first, in the trade's order of action. It is the only
// place that says so.
func advice(k alarm.Kind, c Cause, s situation) []string {
	switch k {
	case alarm.KindLethal, alarm.KindAhead, alarm.KindExposure, alarm.KindAbove:
		return heatAdvice(c, s)
	case alarm.KindBelow:
		return coldAdvice(c, s)
	case alarm.KindFloor, alarm.KindMistMissing, alarm.KindMistWeak:
		return dryAdvice(k, c, s)
	case alarm.KindNightDrop:
		return []string{"Check the lamp timer and what cools the room at night. There is no hurry."}
	case alarm.KindMistEndless:
		return []string{"Stop the pump at its plug and close the water; siphon the drain; look for froglets, film cups and tadpole cups overflowing."}
	case alarm.KindDryDown:
		return []string{"Look at vents, seals and fan, and at the glass for all-day fog."}
	case alarm.KindDoorAjar:
		return []string{"Look: close the door, count the frogs, " + handMist + "; search the floor with a damp cloth at dusk."}
	case alarm.KindLampStuck:
		return []string{lampAdvice(s)}
	case alarm.KindSilent, alarm.KindFrozen, alarm.KindWet, alarm.KindJump, alarm.KindDisagrees, alarm.KindNodeClock, alarm.KindOverdue:
		return probeAdvice(k)
	default:
		return []string{selfAdvice(k)}
	}
}

// heatAdvice goes by how hot it is now, not by which alarm is open: one that is
// held until somebody answers is read at night and when all is cool again.
// Steps that harm where it is not hot (ice, moving animals) and a vet belong to
// the limit to act on, and where it is night or cooling to the lethal limit.
func heatAdvice(c Cause, s situation) []string {
	lethal := s.known && s.hot >= s.ceiling
	switch {
	case c.Kind == CauseProbe && lethal:
		return []string{look, "If it is really hot: lamps off, vents open, fan on.", keepOn + " Then swap the probe."}
	case c.Kind == CauseProbe:
		return []string{look, "Then swap the probe. " + keepOn}
	case !s.known:
		return []string{look, "If it is hot: lamps off, vents open, fan on. " + keepOn}
	case lethal:
		return s.lookFirst(emergency(c, s.cups, true))
	case s.falling && s.hot >= s.act:
		return s.lookFirst([]string{"It is cooling down. Leave the lamps off, the vents open and the fan on until it is back in range; look at the frogs."})
	case s.falling || s.back:
		return s.lookFirst([]string{"It is coming back by itself. Look at heater, lamps and vents when you pass."})
	case s.night:
		return s.lookFirst([]string{nightAdvice(c)})
	case s.hot >= s.act:
		return s.lookFirst(emergency(c, s.cups, false))
	default:
		return s.lookFirst([]string{warmAdvice(c)})
	}
}

// lookFirst puts a look before steps that a doubted probe may have caused.
func (s situation) lookFirst(steps []string) []string {
	if !s.doubt {
		return steps
	}
	return append([]string{look}, steps...)
}

// warmAdvice is for heat by day below the limit to act on.
func warmAdvice(c Cause) string {
	switch c.Kind {
	case CauseRoom, CauseShelf:
		return "Lamps off, vents open, fan on, blinds down; " + lightly + ". Check what cools the room."
	case CauseLamps:
		return "Switch the lamps off by hand and check their timer; vents open."
	case CauseDoor:
		return "Close the door, count the frogs; if the room is warmer than the enclosure: lamps off, vents open, fan on."
	default:
		return "Pull the plugs of heater and lamps of this enclosure until it is back in range; mesh lid on, vents open, fan on."
	}
}

// nightAdvice is for heat while the lamps should be off, below the lethal limit.
func nightAdvice(c Cause) string {
	switch c.Kind {
	case CauseRoom, CauseShelf:
		return "See that the lamps are off; vents open, fan on. Open the windows if it is cooler outside, and check what cools and heats the room."
	case CauseLamps:
		return "Switch the lamps off by hand and check their timer; vents open."
	case CauseDoor:
		return "Close the door, count the frogs; check what cools and heats the room."
	default:
		return "Pull the plug of this enclosure's heater and see that its lamps are off; mesh lid on, vents open."
	}
}

// emergency is for the limit to act on, and for the lethal limit.
func emergency(c Cause, cups, lethal bool) []string {
	vet := "Call a vet if a frog is limp or cramping; never ice water on a frog."
	switch c.Kind {
	case CauseRoom, CauseShelf:
		moving := "If it still rises, move Oophaga, Phyllobates, froglets and tadpoles to the coolest room"
		if lethal {
			moving = "Move Oophaga, Phyllobates, froglets and tadpoles first, to the coolest room"
		}
		return []string{"All lamps off.", "Vents open, fan on, " + lightly + "; no sealed fog.",
			"Blinds down, portable cooling or ice in front of a fan.",
			moving + " or into an insulated box (" + box + "; ice packs wrapped and outside of it).", "Call a helper.", vet}
	case CauseLamps:
		return []string{"Switch the lamps off by hand and check their timer.", "Vents open, fan on, " + lightly + ".", vet}
	case CauseDoor:
		return []string{"Close the door, count the frogs.", "If the room is warmer than the enclosure: lamps off, vents open, fan on.", vet}
	default:
		moving := "Take the frogs out into a box"
		if cups {
			moving = "Take the cups out into a box"
		}
		if !lethal {
			moving = "If it still rises: t" + moving[1:]
		}
		return []string{"Pull the plugs of heater and lamps of this enclosure, mesh lid on, vents open, fan on.",
			moving + " (" + box + ").", vet}
	}
}

// coldAdvice keeps warm bottles for the limit to act on.
func coldAdvice(c Cause, s situation) []string {
	switch {
	case c.Kind == CauseProbe:
		return []string{look, "Then swap the probe. " + keepOn}
	case !s.known:
		return []string{look, "Then check the heating. " + keepOn}
	case !s.cold && (s.rising || s.back):
		return s.lookFirst([]string{"It is warming up again. Look at heating and lamps when you pass."})
	case !s.cold:
		return s.lookFirst([]string{"Keep the doors closed; check the room's heating and the lamp timer."})
	}
	return s.lookFirst([]string{"Keep the doors closed, cover the rack front, vents left free.",
		"Warm-water bottles, wrapped, beside the enclosures and never inside.", "Warm the froglets' room first.",
		"A generator outdoors only."})
}

// dryAdvice is about water that is missing: a doubted probe first says look.
func dryAdvice(k alarm.Kind, c Cause, s situation) []string {
	var steps []string
	switch {
	case c.Kind == CauseProbe:
		return []string{lookWet, "If they are dry, " + handMist + ". Then swap the probe; keep the alarm on."}
	case c.Kind == CauseSupply:
		steps = []string{"Refill the reservoir with dechlorinated or RO water, prime the pump, check its timer; " + handMist + " all, eggs first."}
	case c.Kind == CauseDoor:
		steps = []string{"Close the door, count the frogs, " + handMist + "."}
	case k != alarm.KindFloor:
		steps = []string{capital(handMist) + ", then clean the nozzle in vinegar away from the enclosure."}
	default:
		steps = []string{capital(handMist) + ", then look at nozzle, vents and door; froglets and eggs first."}
	}
	if s.doubt {
		return append([]string{lookWet}, steps...)
	}
	return steps
}

func capital(text string) string { return strings.ToUpper(text[:1]) + text[1:] }

// lampAdvice switches no lamp on where it is hot.
func lampAdvice(s situation) string {
	switch {
	case s.lampsStep && !s.lampsOn:
		return "Switch the lamps off by hand and check their timer."
	case s.lampsStep && s.known && s.hot >= s.act:
		return "Leave the lamps off while it is hot, and check their timer."
	default:
		return "Switch the lamps by hand and check their timer."
	}
}

// probeAdvice first says look: nobody knows what the probe does not tell.
func probeAdvice(k alarm.Kind) []string {
	switch k {
	case alarm.KindSilent:
		return []string{look + " Then look at the probe's plug, cable and bus. " + keepOn}
	case alarm.KindWet:
		return []string{"Look whether it is really that wet. Then dry the probe and its cap, hang it out of the spray; swap it into dry air for a day."}
	case alarm.KindNodeClock:
		return []string{"Look at the humidity yourself meanwhile. Set the node's clock: its time server, time zone or clock battery; or take time_pointer out of its section."}
	case alarm.KindOverdue:
		return []string{"Calibrate it: dewline calibrate."}
	default:
		return []string{look + " Then swap the probe. " + keepOn}
	}
}

func selfAdvice(k alarm.Kind) string {
	switch k {
	case alarm.KindDelivery:
		return "Check broker, mail server and network; notices wait and are sent again."
	case alarm.KindRecord:
		return "Check the card: free space, age, mount; alarms go on without it."
	case alarm.KindClock:
		return "Connect the board to a time server; night rules wait for it."
	case alarm.KindBlind:
		return "Look at the frogs: nobody watched for a while."
	case alarm.KindDrill:
		return "Send a drill and acknowledge it: dewline drill."
	case alarm.KindConfig:
		return "Run dewline check, mend the file and reload."
	case alarm.KindCertificate:
		return "Renew the certificate before it ends."
	default:
		return "Look at the enclosure."
	}
}
