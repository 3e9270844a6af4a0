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
func quantity(k kind, v float64, name string) string {
	switch {
	case name == "°C" && isDelta(k):
		return unit.TemperatureDelta(v).Mark(2)
	case name == "°C":
		return unit.Temperature(v).Mark(2)
	case name == "s" && v >= manySeconds:
		return ago(time.Duration(v * float64(time.Second)))
	case name == "min" && v >= manyMinutes:
		return ago(time.Duration(v * float64(time.Minute)))
	case k == kExposure, name == "min", name == "s":
		return fmt.Sprintf("%.0f %s", v, name)
	case name == "%":
		return fmt.Sprintf("%.2f %%", v)
	default:
		return fmt.Sprintf("%g", v)
	}
}

// overWords says that a condition has ended.
var overWords = [numKinds]string{
	kLethal: "below the lethal ceiling again", kAhead: "the ceiling is no longer near",
	kExposure: "cool enough that the heat dose no longer grows", kAbove: "inside the band again", kBelow: "inside the band again",
	kFloor: "above the humidity floor again", kNightDrop: "the night brought its drop",
	kMistMissing: "a scheduled mist was seen", kMistWeak: "a mist of usual strength was seen",
	kMistEndless: "the mist has ended", kDryDown: "it dries as usual again", kDoorAjar: "the climate has recovered",
	kLampStuck: "the lamps follow their schedule again", kSilent: "it delivers again", kFrozen: "its value moves again",
	kWet: "it is out of saturation", kJump: "its readings are steady again", kDisagrees: "it agrees with its twin again",
	kNodeClock: "its clock is right again", kOverdue: "it was calibrated", kDelivery: "notices are delivered again", kRecord: "the record is complete again",
	kClock: "the clock is set", kBlind: "readings arrive", kDrill: "a drill was held",
	kConfig: "the configuration is in force", kCertificate: "the certificate is good",
}

// state says what is the matter, in the words of the trade. v and l are, here
// and below, the alarm's value and limit with their unit.
func (e *Engine) state(s *slot) string {
	r := &s.rec
	v, l := quantity(s.kind, r.Value, r.Unit), quantity(s.kind, r.Limit, r.Unit)
	if r.Life.Active && r.Life.Seen == alarm.Back && hasSides(s.kind) {
		return fmt.Sprintf("%s, on its way back from the limit of %s", v, l)
	}
	switch {
	case byTemperature(s.kind):
		return e.temperatureText(s, v, l)
	case s.kind.ofEnclosure():
		return e.enclosureText(s, v, l)
	case s.kind.ofProbe():
		return e.probeText(s, v, l)
	default:
		return s.selfText()
	}
}

func (e *Engine) temperatureText(s *slot, v, l string) string {
	switch s.kind {
	case kLethal:
		return fmt.Sprintf("%s, at or above the lethal ceiling of %s", v, l)
	case kAhead:
		return e.aheadText(&e.encls[s.subj], v)
	case kExposure:
		return fmt.Sprintf("heat exposure has reached %s of the keeper's reference, a relative figure", v)
	case kAbove:
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

// hasSides reports whether the alarm is a value against a limit.
func hasSides(k kind) bool { return k == kLethal || k == kAbove || k == kBelow || k == kFloor }

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
	case kFloor:
		if en.lim.dry > 0 && r.Value*100 <= float64(en.lim.dry) {
			return fmt.Sprintf("humidity %s, far below the floor of %s", v, l)
		}
		return fmt.Sprintf("humidity %s, at or below the floor of %s", v, l)
	case kNightDrop:
		return fmt.Sprintf("%d nights without the wanted drop; the last was %s, wanted %s", en.st.Night.Streak(r.Limit), v, l)
	case kMistMissing:
		if r.Value > 1 {
			return fmt.Sprintf("no mist pulse at the scheduled time, %.0f times in a row", r.Value)
		}
		return "no mist pulse at the scheduled time"
	case kMistWeak:
		return fmt.Sprintf("%.0f mist pulses in a row of less than half the usual strength", r.Value)
	case kMistEndless:
		return fmt.Sprintf("soaked for %s, a mist lasts at most %s", v, l)
	case kDryDown:
		word := "faster"
		if en.st.Dry.Hint() == climate.DrySlower {
			word = "slower"
		}
		return fmt.Sprintf("it dries %s than usual: half-life %s, usually %s", word, v, l)
	case kDoorAjar:
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
	case kSilent:
		return e.silentText(p, s.rec.Value, v, l)
	case kFrozen:
		return fmt.Sprintf("exactly the same value for %s while the others move", v)
	case kWet:
		return "wet or pinned at saturation; its humidity is not used"
	case kJump:
		if p.st.Alone {
			return fmt.Sprintf("reads %s while everything around it is calm; taken for a probe fault, please look", v)
		}
		return fmt.Sprintf("jumps faster than air can change (last to %s)", v)
	case kDisagrees:
		return p.disagreesText(s, v, l)
	case kNodeClock:
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
