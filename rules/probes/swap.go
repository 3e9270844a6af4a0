package probes

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// A Step is a change of one probe's values from one reading to the next that
// air does not make, in hundredths of °C and %.
type Step struct {
	At      time.Duration        `json:"at,omitempty"`
	Temp    sensors.CentiCelsius `json:"temp,omitempty"` // before
	Hum     sensors.CentiPercent `json:"hum,omitempty"`
	NewTemp sensors.CentiCelsius `json:"new_temp,omitempty"`
	NewHum  sensors.CentiPercent `json:"new_hum,omitempty"`
	HasHum  bool                 `json:"has_hum,omitempty"`
	Silent  bool                 `json:"silent,omitempty"` // readings were missing in between
}

// What makes two steps an exchange. Each takes the other's place within less
// than half of the step, both from one poll to the next or both across a
// silence: no door, lamp or mist does that.
const (
	swapStepTemp = 20  // hundredths of °C in one reading, ten times a probe's noise
	swapStepHum  = 300 // hundredths of a percent
	swapNearTemp = 15
	swapNearHum  = 250
	swapWithin   = 15 * time.Minute // unplugged, plugged in again
	swapTold     = 24 * time.Hour   // then the new places are the usual ones
)

// mirrors reports whether each of two steps leads to where the other began.
func (a *Step) mirrors(b *Step) bool {
	near := room.Abs(a.NewTemp-b.Temp) <= swapNearTemp && room.Abs(b.NewTemp-a.Temp) <= swapNearTemp
	if a.HasHum {
		near = near && room.Abs(a.NewHum-b.Hum) <= swapNearHum && room.Abs(b.NewHum-a.Hum) <= swapNearHum
	}
	return near
}

// watchSwap looks at every reading for a step, before the reading is taken in,
// and for another probe that stepped the other way at the same time.
func (l look) watchSwap(p probe, r *sensors.Reading) {
	st := &p.St
	p.followWet(r)
	if st.Swap.With != "" && r.At.Mono-st.Swap.At > swapTold {
		l.settleSwap(p)
	}
	l.judgeSwap(p, r.At)
	if r.Quality == sensors.Bad || r.Has&sensors.HasTemperature == 0 || !st.HasTemp || r.At.Mono-st.Heard.Mono > swapWithin || st.Heard.Mono < p.Since {
		return
	}
	before := p.latest()
	hum := r.Has&sensors.HasHumidity != 0 && st.HasHum
	dt, dh := r.Temperature-before, sensors.CentiPercent(0)
	if hum {
		dh = r.Humidity - st.Hum
	}
	if room.Abs(dt) < swapStepTemp && room.Abs(dh) < swapStepHum {
		return
	}
	p.Step = Step{At: r.At.Mono, Temp: before, Hum: st.Hum, NewTemp: r.Temperature, NewHum: r.Humidity, HasHum: hum,
		Silent: r.At.Mono-st.Last.Mono > 3*st.Interval || st.Quality == sensors.Bad}
	if q := l.exchanged(p); q.Probe != nil {
		l.swapped(p, q, r.At.Mono)
		l.judgeSwap(p, r.At)
		l.judgeSwap(q, r.At)
	}
}

// exchanged finds the probe that stepped to where p was, from where p is now.
func (l look) exchanged(p probe) probe {
	a := &p.Step
	for i := range l.v.Probes {
		q := l.at(i)
		b := &q.Step
		if q == p || b.At == 0 || a.At-b.At > swapWithin || a.HasHum != b.HasHum {
			continue
		}
		if a.At-b.At > p.St.Interval && !(a.Silent && b.Silent) {
			continue
		}
		if a.mirrors(b) {
			return q
		}
	}
	return probe{}
}

// swapped notes an exchange, or that it was undone.
func (l look) swapped(p, q probe, now time.Duration) {
	back := p.St.Swap.With == q.Cfg.ID
	p.St.Swap.With, q.St.Swap.With = "", ""
	if !back {
		p.St.Swap.With, p.St.Swap.At = q.Cfg.ID, now
		q.St.Swap.With, q.St.Swap.At = p.Cfg.ID, now
	}
	p.St.Swap.Late, q.St.Swap.Late = false, false
	p.Step, q.Step = Step{}, Step{}
	for _, x := range []probe{p, q} {
		// The jump is explained: it is not the air's, and not a fault of the probe.
		x.St.Leap, x.St.Jumps = 0, 0
	}
}

// settleSwap makes the new places of both probes their usual ones.
func (l look) settleSwap(p probe) {
	if i, ok := l.v.ByID[sensors.ProbeID(p.St.Swap.With)]; ok && l.v.Probes[i].St.Swap.With == p.Cfg.ID {
		q := l.at(i)
		p.Own, q.Own = q.Own, p.Own
		q.St.Swap.With = ""
	}
	p.St.Swap.With = ""
}

// judgeSwap raises probe-disagrees, without a delay, for a probe that stands in
// another's place, and ends it when the two are back.
func (l look) judgeSwap(p probe, now sensors.Instant) {
	w := &p.St.Swap
	if w.With == "" && !w.Told {
		return
	}
	s, in := p.Alarm(alarm.KindDisagrees), alarm.Back
	if w.With != "" {
		in = alarm.Beyond
		w.Told = true
		s.Rec.HasValue, s.Rec.HasLimit, s.Rec.Value, s.Rec.Limit = false, false, 0, 0
	}
	l.out.Find(room.Finding{Alarm: s, In: in, AtOnce: true})
	if in == alarm.Back {
		w.Told = false
	}
}
