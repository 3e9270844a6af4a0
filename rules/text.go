package rules

import (
	"fmt"
	"math"
	"strings"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

// explain fills what a person is told with a transition: cause, detail, text.
func (e *Engine) explain(s *slot, now sensors.Instant, c alarm.Change) {
	r := &s.rec
	if c.From == alarm.Norm && !r.Life.Active { // put away in peace: nothing was judged
		r.Value, r.HasValue, r.Limit, r.HasLimit = 0, false, 0, false
	}
	if c.Changed() && (c.To == alarm.Unack || c.To == alarm.Suppressed) || r.Cause.Kind == "" || c.Why == whyCause {
		r.Cause, r.Detail.Evidence = e.causeOf(s, now)
	}
	r.Detail = Detail{Evidence: r.Detail.Evidence}
	if s.kind.Row().Of == alarm.OfEnclosure {
		e.detailEnclosure(&e.encls[s.subj], s, now)
	}
	if s.kind.Row().Of == alarm.OfDewline {
		r.Detail.Evidence = r.Given.Evidence
	}
	e.advise(s, &r.Detail)
	if r.Life.Unknown {
		r.Detail.Unknown = append(r.Detail.Unknown, "no trustworthy reading at present")
	}
	r.Text = e.sentence(s, now, c)
}

// detailEnclosure fills rate, time left and what was excused.
func (e *Engine) detailEnclosure(en *enclosure, s *slot, now sensors.Instant) {
	d := &s.rec.Detail
	if s.kind.Row().ByTemperature {
		e.detailTemperature(en, s, now)
	}
	if en.lamps >= 0 && !e.lamps[en.lamps].known {
		d.Unknown = append(d.Unknown, "day or night: the clock is not set")
	}
	if s.kind == alarm.KindFloor && en.st.HasExcuse && now.Mono < en.st.Excused {
		d.Excused = append(d.Excused, "a door opened "+ago(now.Mono-en.st.DoorAt)+" ago")
	}
	if s.kind == alarm.KindFloor && e.standsIn(en) {
		d.Unknown = append(d.Unknown, e.standInText(en))
	}
	if s.kind == alarm.KindExposure && en.st.Dose.Unknown > 0 {
		d.Unknown = append(d.Unknown, "gaps of "+ago(en.st.Dose.Unknown)+" are not counted")
	}
}

// detailTemperature fills what a person needs beside a temperature.
func (e *Engine) detailTemperature(en *enclosure, s *slot, now sensors.Instant) {
	d, hot := &s.rec.Detail, s.kind != alarm.KindBelow && en.now.hasTemp
	if hot {
		d.Temperature, d.Ceiling = float64(en.now.hot)/100, float64(en.lim.ceiling)/100
	}
	if slope, ok := en.st.Trend.Slope(); ok {
		d.RatePerHour, d.HasRate = round(slope.PerHour, 10), true
		if hot && slope.PerHour > climbs && en.now.hot < en.lim.ceiling {
			e.detailAhead(en, now, slope, d)
		}
	} else {
		d.Unknown = append(d.Unknown, "how fast: less than 15 minutes of readings")
	}
	if _, ok := e.roomTemp(now.Mono); !ok {
		d.Unknown = append(d.Unknown, "the room's temperature")
	}
}

func (e *Engine) detailAhead(en *enclosure, now sensors.Instant, slope climate.Slope, d *Detail) {
	if en.st.Ahead.At != now.Mono {
		e.forecast(en, now, slope)
	}
	if d.TimeToCeiling = rangeOf(en.st.Ahead.ToCeiling); d.TimeToCeiling != nil {
		d.LampsOffGain = gainOf(en.st.Ahead.LampsOff)
	}
}

// rangeOf turns a forecast into whole minutes, nil where nothing can be said.
func rangeOf(t climate.Eta) *Range {
	if !t.Known {
		return nil
	}
	return &Range{FromMinutes: math.Round(t.From.Minutes()), ToMinutes: math.Round(t.To.Minutes())}
}

// gainOf is rangeOf for time won, nil where it is not worth a word.
func gainOf(t climate.Eta) *Range {
	if r := rangeOf(t); r != nil && r.ToMinutes >= 5 {
		return r
	}
	return nil
}

func round(v, per float64) float64 { return math.Round(v*per) / per }

// ago writes a span of time for a sentence.
func ago(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%.1f h", d.Hours())
	default:
		return fmt.Sprintf("%d days", int(d.Hours()/24))
	}
}

// since adds when something began, in local time where the clock is set. It is a
// clause of its own: a door "left ajar since 12:12" would say too much.
func (e *Engine) since(at, now sensors.Instant) string {
	switch {
	case at.IsZero():
		return ""
	case !at.Synced || !now.Synced:
		if now.Sub(at) < time.Minute {
			return "" // it has only begun, and the sentence is read later
		}
		return "; for " + ago(now.Sub(at))
	case now.Sub(at) >= 24*time.Hour:
		return "; since " + at.Wall.In(e.loc).Format("2 Jan 15:04")
	default:
		return "; since " + at.Wall.In(e.loc).Format("15:04")
	}
}

// where names the subject as a keeper knows it.
func (e *Engine) where(s *slot) string {
	switch {
	case s.kind.Row().Of == alarm.OfEnclosure:
		return e.whereEnclosure(&e.encls[s.subj])
	case s.kind.Row().Of == alarm.OfProbe:
		p := &e.probes[s.subj]
		if p.encl < 0 {
			return fmt.Sprintf("Probe %s (%s)", p.cfg.ID, p.cfg.Place)
		}
		return fmt.Sprintf("Probe %s (%s) in %s", p.cfg.ID, p.cfg.Place, e.whereEnclosure(&e.encls[p.encl]))
	default:
		return "dewline"
	}
}

func (e *Engine) whereEnclosure(en *enclosure) string {
	name := en.cfg.Name
	if name == "" {
		name = en.cfg.ID
	}
	if en.cfg.Rack == "" {
		return name
	}
	return fmt.Sprintf("%s (rack %s, shelf %d, slot %d)", name, en.cfg.Rack, en.cfg.Shelf, en.cfg.Slot)
}

// sentence is the text of one transition.
func (e *Engine) sentence(s *slot, now sensors.Instant, c alarm.Change) string {
	var b strings.Builder
	b.WriteString(e.where(s))
	b.WriteString(": ")
	switch {
	case c.To == alarm.OutOfService:
		b.WriteString("out of service" + e.until(s, now) + e.meanwhile(s))
	case c.To == alarm.Shelved:
		b.WriteString("shelved" + e.until(s, now) + e.meanwhile(s))
	case c.To == alarm.Suppressed && s.kind == alarm.KindAhead:
		b.WriteString("held back by design, as the ceiling is reached")
	case c.To == alarm.Suppressed:
		b.WriteString("held back by design; " + e.state(s) + e.since(s.rec.Life.Since, now))
	case c.Why == alarm.WhyConfig:
		b.WriteString("no longer configured; the alarm ends")
	case !s.rec.Life.Active:
		b.WriteString(e.over(s, now, c))
	default:
		b.WriteString(e.state(s) + e.since(s.rec.Life.Since, now))
		e.tail(&b, s)
	}
	b.WriteByte('.')
	return b.String()
}

// meanwhile says what goes on behind an alarm that is put away.
func (e *Engine) meanwhile(s *slot) string {
	if !s.rec.Life.Active {
		return ""
	}
	return "; " + e.state(s)
}

func (e *Engine) until(s *slot, now sensors.Instant) string {
	l := &s.rec.Life
	switch {
	case l.Out != nil && now.Synced:
		return " until " + l.Out.Until.In(e.loc).Format("2 Jan 15:04")
	case l.Out != nil:
		return " for " + ago(l.Out.Mono-now.Mono)
	case l.Shelf != nil:
		return " for " + ago(l.Shelf.Until-now.Mono)
	default:
		return ""
	}
}

// over tells of an alarm whose condition has ended.
func (e *Engine) over(s *slot, now sensors.Instant, c alarm.Change) string {
	lasted := ""
	if l := &s.rec.Life; l.EndedAt > l.Since.Mono && !l.Since.IsZero() {
		lasted = " after " + ago(l.EndedAt-l.Since.Mono)
	}
	switch c.To {
	case alarm.LatchUnack, alarm.LatchAck:
		return "over" + lasted + ", held until reset; " + overText(s)
	case alarm.RTNUN:
		return "over" + lasted + ", nobody acknowledged it; " + overText(s)
	default:
		return "over" + lasted + "; " + overText(s)
	}
}

func overText(s *slot) string {
	r := &s.rec
	if !r.HasValue || !r.HasLimit || r.Unit == "" {
		return overWords[s.kind]
	}
	switch s.kind {
	case alarm.KindAhead, alarm.KindSilent, alarm.KindFrozen, alarm.KindMistEndless, alarm.KindBlind:
		return overWords[s.kind] // a span that has ended has no length now
	}
	now := quantity(s.kind, r.Value, r.Unit)
	if s.kind.Row().AtLimit {
		return fmt.Sprintf("%s (now %s, it reached %s)", overWords[s.kind], now, quantity(s.kind, r.Peak, r.Unit))
	}
	return fmt.Sprintf("%s (now %s)", overWords[s.kind], now)
}

// tail adds how fast, how long, why and what is not known.
func (e *Engine) tail(b *strings.Builder, s *slot) {
	d := &s.rec.Detail
	howFast(b, s)
	if t := d.TimeToCeiling; t != nil && s.kind != alarm.KindAhead {
		fmt.Fprintf(b, "; ceiling %s in %s", unit.Temperature(d.Ceiling).Mark(2), t.Words())
	}
	if t := d.LampsOffGain; t != nil {
		fmt.Fprintf(b, "; lamps off now would gain %s", t.Gain())
	}
	e.blamed(b, s)
	if len(d.Excused) > 0 {
		fmt.Fprintf(b, "; excused: %s", strings.Join(d.Excused, ", "))
	}
	if len(d.Unknown) > 0 {
		fmt.Fprintf(b, "; not known: %s", strings.Join(d.Unknown, ", "))
	}
}

// steady in °C/h is too slow to be worth a word.
const steady = 0.2

// howFast adds the rate.
func howFast(b *strings.Builder, s *slot) {
	rate := s.rec.Detail.RatePerHour
	if !s.rec.Detail.HasRate || math.Abs(rate) < steady {
		return
	}
	word := "rising"
	if rate < 0 {
		word = "falling"
	}
	fmt.Fprintf(b, "; %s %s/h", word, unit.TemperatureDelta(math.Abs(rate)).Mark(1))
	if s.rec.Cause.Kind == CauseRoom {
		b.WriteString(" with the whole room")
	}
}

// blamed adds the cause with its evidence. A probe's own alarm names one only
// where it is not that probe.
func (e *Engine) blamed(b *strings.Builder, s *slot) {
	switch c := s.rec.Cause; {
	case s.kind.Row().Of == alarm.OfEnclosure:
		fmt.Fprintf(b, "; likely cause: %s", e.causeText(c))
	case c.Kind == CauseProbe && c.ID != s.rec.Key.Subject:
		fmt.Fprintf(b, "; likely cause: %s", c.ID)
	}
	if list := s.rec.Detail.Evidence; len(list) > 0 {
		fmt.Fprintf(b, " (%s)", strings.Join(list, "; "))
	}
}

// causeText names a cause in a sentence.
func (e *Engine) causeText(c Cause) string {
	switch c.Kind {
	case CauseRoom:
		return "the room"
	case CauseShelf:
		return "the shelf " + c.ID
	case CauseEnclosure:
		return "this enclosure alone"
	case CauseProbe:
		return "the probe " + c.ID
	case CauseSupply:
		return "the mist supply " + c.ID
	case CauseLamps:
		return "the lamp timer " + c.ID
	case CauseDoor:
		return "its door"
	default:
		return "dewline itself"
	}
}
