package words

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules/alarm"
)

// cause names one in a sentence, with its id where it has one.
func cause(c alarm.Cause) string {
	text := inEnglish().Causes[string(c.Kind)]
	switch c.Kind {
	case alarm.CauseShelf:
		if rack, shelf, ok := strings.Cut(c.ID, "/"); ok && rack != "" {
			return say("shelf-of", "shelf", shelf, "rack", configs.RackWords(rack))
		}
	case alarm.CauseProbe, alarm.CauseSupply, alarm.CauseLamps:
	default:
		return text
	}
	return strings.TrimSpace(text + " " + c.ID)
}

// Sentence says in one sentence what is the matter, since when, how fast, why
// and what is not known; or what became of it.
func Sentence(a *alarm.Onset, s unit.Scale) string {
	d := &a.Detail
	if d.Turn == "" || a.Text != "" {
		return a.Text
	}
	var b strings.Builder
	b.WriteString(Place(d) + ": ")
	switch d.Turn {
	case alarm.TurnOut:
		b.WriteString("out of service" + until(d) + meanwhile(a, s))
	case alarm.TurnShelved:
		b.WriteString("shelved" + until(d) + meanwhile(a, s))
	case alarm.TurnSuppressed:
		if a.Key.Alarm == alarm.LethalAhead {
			b.WriteString("covered by the lethal-heat alarm")
		} else {
			b.WriteString("muted: part of another alarm; " + state(a, s) + since(d))
		}
	case alarm.TurnRemoved:
		b.WriteString("no longer configured; the alarm ends")
	case alarm.TurnActive:
		b.WriteString(state(a, s) + since(d))
		tail(&b, a, s)
	default:
		b.WriteString(over(a, s))
	}
	b.WriteByte('.')
	return b.String()
}

// Place names the subject as a keeper knows it.
func Place(d *alarm.Detail) string {
	p, in := d.Place, ""
	if p.Enclosure != "" {
		in = p.Enclosure
		if p.Rack != "" {
			in += " (" + configs.PlaceWords(p.Rack, p.Shelf, p.Slot) + ")"
		}
	}
	switch {
	case p.Room != "":
		return "Room " + p.Room
	case p.Probe == "" && in == "":
		return "dewline"
	case p.Probe == "":
		return in
	case in != "":
		return fmt.Sprintf("Probe %s (%s) in %s", p.Probe, p.At, in)
	default:
		return fmt.Sprintf("Probe %s (%s)", p.Probe, p.At)
	}
}

// figureOf is a value of an alarm with its limit, and with the lethal limit where
// that is told beside it.
func figureOf(a *alarm.Onset, value, limit float64) Figure {
	f := Figure{Alarm: a.Key.Alarm, Value: value, Limit: limit, HasLimit: a.HasLimit, Unit: a.Unit}
	if a.Detail.TimeToLethal != nil && a.Unit == "°C" {
		f.Lethal = a.Detail.Lethal
	}
	return f
}

func figure(a *alarm.Onset, s unit.Scale) Shown {
	out := figureOf(a, a.Detail.Value, a.Detail.Limit).Text(s)
	if a.Key.Alarm == alarm.Exposure {
		out.Value = Dose(a.Detail.Value)
	}
	return out
}

func state(a *alarm.Onset, s unit.Scale) string {
	f := figure(a, s)
	return write(&a.Detail.Is, f.Value, f.Limit, s)
}

// meanwhile says what goes on behind an alarm that is put away.
func meanwhile(a *alarm.Onset, s unit.Scale) string {
	if !a.Detail.Active {
		return ""
	}
	return "; " + state(a, s)
}

func until(d *alarm.Detail) string {
	switch {
	case d.Until != "":
		return " until " + clock(d.Until, "2 Jan 15:04")
	case d.Left != 0:
		return " for " + Span(d.Left)
	}
	return ""
}

// since adds when something began, in the room's time where the clock is set. It
// is a clause of its own: a door "left ajar since 12:12" would say too much.
func since(d *alarm.Detail) string {
	switch {
	case d.Began == "" && d.For < time.Minute:
		return "" // it has only begun, and the sentence is read later
	case d.Began == "":
		return "; for " + Span(d.For)
	case d.For >= 24*time.Hour:
		return "; since " + clock(d.Began, "2 Jan 15:04")
	default:
		return "; since " + clock(d.Began, "15:04")
	}
}

// over tells of an alarm whose condition has ended.
func over(a *alarm.Onset, s unit.Scale) string {
	text := "over"
	if a.Detail.Lasted > 0 {
		text += " after " + Span(a.Detail.Lasted)
	}
	switch a.Detail.Turn {
	case alarm.TurnHeld:
		text += ", kept until you reset it"
	case alarm.TurnUnanswered:
		text += ", nobody acknowledged it"
	}
	return text + "; " + again(a, s)
}

func again(a *alarm.Onset, s unit.Scale) string {
	id := a.Key.Alarm
	text := inEnglish().Endings[id]
	switch {
	case id != alarm.ConfigRefused:
	case a.Key.Subject == alarm.Secrets:
		text = "every part works again"
	case a.Key.Subject == alarm.Broker:
		text = "the broker lets dewline hear all of it again"
	}
	row, _ := alarm.Find(id)
	now := figure(a, s).Value
	switch {
	case !a.HasValue || !a.HasLimit || a.Unit == "":
		return text
	case row.AtLimit:
		p := a.Furthest()
		peak := Figure{Alarm: id, Value: p.Value, Limit: p.Limit, HasLimit: true, Unit: a.Unit}.Text(s)
		return fmt.Sprintf("%s (now %s, it reached %s)", text, now, peak.Value)
	case row.Value == alarm.Seconds && id != alarm.DeliveryStalled, row.Value == alarm.Minutes && id != alarm.DryDown:
		return text // a span that has ended has no length now
	}
	return fmt.Sprintf("%s (now %s)", text, now)
}

// tail adds how fast, how long, why and what is not known.
func tail(b *strings.Builder, a *alarm.Onset, s unit.Scale) {
	d := &a.Detail
	if r := rate(d, s); r != "" {
		b.WriteString("; " + r)
		if a.Cause.Kind == alarm.CauseRoom {
			b.WriteString(say("whole-room"))
		}
	}
	if t := d.TimeToLethal; t != nil && a.Key.Alarm != alarm.LethalAhead {
		b.WriteString("; " + lethalIn(*t, cmp.Or(figure(a, s).Lethal, unit.Temperature(d.Lethal).Text(s, 1))))
	}
	if t := d.LampsOffGain; t != nil {
		b.WriteString("; " + lampsOff(*t))
	}
	blamed(b, a, s)
	if len(d.Excused) > 0 {
		b.WriteString("; excused: " + strings.Join(Facts(d.Excused, s), ", "))
	}
	if len(d.Unknown) > 0 {
		b.WriteString("; not known: " + strings.Join(Facts(d.Unknown, s), ", "))
	}
}

// blamed adds the cause with its evidence. A probe's own alarm names one only
// where it is not that probe.
func blamed(b *strings.Builder, a *alarm.Onset, s unit.Scale) {
	row, _ := alarm.Find(a.Key.Alarm)
	switch c := a.Cause; {
	case row.Of == alarm.OfEnclosure:
		b.WriteString("; likely cause: " + cause(c))
	case c.Kind == alarm.CauseProbe && c.ID != a.Key.Subject:
		b.WriteString("; likely cause: " + c.ID)
	}
	if list := Facts(a.Detail.Evidence, s); len(list) > 0 {
		b.WriteString(" (" + strings.Join(list, "; ") + ")")
	}
}
