package rules

import (
	"fmt"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"
)

// From here on a span is told in a larger unit than it is measured in.
const (
	manySeconds = 600
	manyMinutes = 180
)

// quantity writes a value of an alarm with its unit.
func quantity(k alarm.Kind, v float64, name string) string {
	switch {
	case name == "°C" && (k.Row().Value == alarm.Difference):
		return unit.TemperatureDelta(v).Mark(2)
	case name == "°C":
		return unit.Temperature(v).Mark(2)
	case name == "s" && v >= manySeconds:
		return ago(time.Duration(v * float64(time.Second)))
	case name == "min" && v >= manyMinutes:
		return ago(time.Duration(v * float64(time.Minute)))
	case k == alarm.KindExposure, name == "min", name == "s":
		return fmt.Sprintf("%.0f %s", v, name)
	case name == "%":
		return fmt.Sprintf("%.2f %%", v)
	default:
		return fmt.Sprintf("%g", v)
	}
}

// overWords says that a condition has ended.
var overWords = [alarm.FirstSentinelKind]string{
	alarm.KindLethal: "below the lethal ceiling again", alarm.KindAhead: "the ceiling is no longer near",
	alarm.KindExposure: "cool enough that the heat dose no longer grows", alarm.KindAbove: "inside the band again", alarm.KindBelow: "inside the band again",
	alarm.KindFloor: "above the humidity floor again", alarm.KindNightDrop: "the night brought its drop",
	alarm.KindMistMissing: "a scheduled mist was seen", alarm.KindMistWeak: "a mist of usual strength was seen",
	alarm.KindMistEndless: "the mist has ended", alarm.KindDryDown: "it dries as usual again", alarm.KindDoorAjar: "the climate has recovered",
	alarm.KindLampStuck: "the lamps follow their schedule again", alarm.KindSilent: "it delivers again", alarm.KindFrozen: "its value moves again",
	alarm.KindWet: "it is out of saturation", alarm.KindJump: "its readings are steady again", alarm.KindDisagrees: "it agrees with its twin again",
	alarm.KindNodeClock: "its clock is right again", alarm.KindOverdue: "it was calibrated", alarm.KindDelivery: "notices are delivered again", alarm.KindRecord: "the record is complete again",
	alarm.KindClock: "the clock is set", alarm.KindBlind: "readings arrive", alarm.KindDrill: "a drill was held",
	alarm.KindConfig: "the configuration is in force", alarm.KindCertificate: "the certificate is good",
}

// state says what is the matter, in the words of the trade. v and l are, here
// and below, the alarm's value and limit with their unit.
func (e *Engine) state(s *slot) string {
	r := &s.rec
	v, l := quantity(s.kind, r.Value, r.Unit), quantity(s.kind, r.Limit, r.Unit)
	if r.Life.Active && r.Life.Seen == alarm.Back && s.kind.Row().AtLimit {
		return fmt.Sprintf("%s, on its way back from the limit of %s", v, l)
	}
	switch {
	case s.kind.Row().ByTemperature:
		return e.temperatureText(s, v, l)
	case s.kind.Row().Of == alarm.OfEnclosure:
		return e.enclosureText(s, v, l)
	case s.kind.Row().Of == alarm.OfProbe:
		return e.probeText(s, v, l)
	default:
		return s.selfText()
	}
}

func (e *Engine) temperatureText(s *slot, v, l string) string {
	switch s.kind {
	case alarm.KindLethal:
		return fmt.Sprintf("%s, at or above the lethal ceiling of %s", v, l)
	case alarm.KindAhead:
		return e.aheadText(&e.encls[s.subj], v)
	case alarm.KindExposure:
		return fmt.Sprintf("heat exposure has reached %s of the keeper's reference, a relative figure", v)
	case alarm.KindAbove:
		return e.aboveText(s, v, l)
	default:
		return e.belowText(s, v, l)
	}
}

// aheadText takes v for the time left where no range is known any more.
func (e *Engine) aheadText(en *enclosure, v string) string {
	hot, ceiling := degrees(en.now.hot).Mark(2), degrees(en.lim.ceiling).Mark(2)
	if en.now.hot >= en.lim.ceiling {
		return fmt.Sprintf("%s, the lethal ceiling of %s is reached", hot, ceiling)
	}
	span := "about " + v
	if t := rangeOf(en.st.Ahead.ToCeiling); t != nil {
		span = t.Words()
	}
	return fmt.Sprintf("%s, the lethal ceiling of %s is expected in %s", hot, ceiling, span)
}

func (e *Engine) bandName(s *slot) string {
	_, _, name := e.band(&e.encls[s.subj])
	return name
}

func (e *Engine) aboveText(s *slot, v, l string) string {
	if s.rec.Limit*100 >= float64(e.encls[s.subj].lim.act) {
		return fmt.Sprintf("%s, at or above the limit to act on of %s", v, l)
	}
	return fmt.Sprintf("%s, above the %s band's high end of %s", v, e.bandName(s), l)
}

func (e *Engine) belowText(s *slot, v, l string) string {
	if s.rec.Limit*100 <= float64(e.encls[s.subj].lim.cold) {
		return fmt.Sprintf("%s, at or below the cold limit of %s", v, l)
	}
	return fmt.Sprintf("%s, below the %s band's low end of %s", v, e.bandName(s), l)
}

func (e *Engine) enclosureText(s *slot, v, l string) string {
	r, en := &s.rec, &e.encls[s.subj]
	switch s.kind {
	case alarm.KindFloor:
		if en.lim.dry > 0 && r.Value*100 <= float64(en.lim.dry) {
			return fmt.Sprintf("humidity %s, far below the floor of %s", v, l)
		}
		return fmt.Sprintf("humidity %s, at or below the floor of %s", v, l)
	case alarm.KindNightDrop:
		return fmt.Sprintf("%d nights without the wanted drop; the last was %s, wanted %s", en.st.Night.Streak(r.Limit), v, l)
	case alarm.KindMistMissing:
		if r.Value > 1 {
			return fmt.Sprintf("no mist pulse at the scheduled time, %.0f times in a row", r.Value)
		}
		return "no mist pulse at the scheduled time"
	case alarm.KindMistWeak:
		return fmt.Sprintf("%.0f mist pulses in a row of less than half the usual strength", r.Value)
	case alarm.KindMistEndless:
		return fmt.Sprintf("soaked for %s, a mist lasts at most %s", v, l)
	case alarm.KindDryDown:
		word := "faster"
		if en.st.Dry.Hint() == climate.DrySlower {
			word = "slower"
		}
		return fmt.Sprintf("it dries %s than usual: half-life %s, usually %s", word, v, l)
	case alarm.KindDoorAjar:
		return "the climate stepped toward the room's and did not recover, as with a door left ajar"
	default:
		return lampText(en)
	}
}

func lampText(en *enclosure) string {
	if step, ok := en.st.Lamps.Step(); ok && step.On {
		return "nothing shows that the lamps went on as scheduled"
	}
	return "nothing shows that the lamps went off as scheduled"
}

func (e *Engine) probeText(s *slot, v, l string) string {
	p := &e.probes[s.subj]
	switch s.kind {
	case alarm.KindSilent:
		return e.silentText(p, s.rec.Value, v, l)
	case alarm.KindFrozen:
		return fmt.Sprintf("exactly the same value for %s while the others move", v)
	case alarm.KindWet:
		return "wet or pinned at saturation; its humidity is not used"
	case alarm.KindJump:
		if p.st.Alone {
			return fmt.Sprintf("reads %s while everything around it is calm; taken for a probe fault, please look", v)
		}
		return fmt.Sprintf("jumps faster than air can change (last to %s)", v)
	case alarm.KindDisagrees:
		return p.disagreesText(s, v, l)
	case alarm.KindNodeClock:
		return "its clock is wrong, so nobody knows how old its values are; the ceiling is judged on them as they arrive, the bands and the humidity are not"
	default:
		return p.dueText()
	}
}

func (e *Engine) silentText(p *probe, seconds float64, v, l string) string {
	switch {
	case seconds > 0 && p.humidityGone(true).Seconds() >= seconds:
		return fmt.Sprintf("no usable humidity for %s (limit %s), though it tells the temperature", v, l)
	case e.blind(p):
		return fmt.Sprintf("no usable reading for %s (limit %s); the enclosure has no other probe and is blind", v, l)
	default:
		return fmt.Sprintf("no usable reading for %s (limit %s)", v, l)
	}
}

func (p *probe) disagreesText(s *slot, v, l string) string {
	swap := &p.st.Swap
	switch {
	case swap.With != "" && swap.Late:
		return "changed places with probe " + swap.With + ": each stands where the other usually does"
	case swap.With != "":
		return "changed places with probe " + swap.With + ": their values were exchanged from one moment to the next"
	case !s.rec.HasLimit:
		return "stood in another probe's place"
	default:
		return fmt.Sprintf("%s apart from the other probe of its enclosure, more than %s", v, l)
	}
}

// blind reports whether a probe is the only one of its enclosure.
func (e *Engine) blind(p *probe) bool { return p.encl >= 0 && len(e.encls[p.encl].probes) == 1 }
