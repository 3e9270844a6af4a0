// Package probes judges the probes themselves: silent, lossy, frozen, wet, jumping, in
// disagreement or exchanged, with a wrong clock, or due to be calibrated. It also
// decides what a reading is good for, so that a doubt never hides heat.
package probes

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// State is what the judge of probes remembers of one, for itself.
type State struct {
	Back    bool                 `json:"back,omitempty"` // nobody saw how it came to the implausible heat that it tells
	Odd     uint8                `json:"odd"`            // intervals in a row unlike the usual one
	LastHot sensors.CentiCelsius `json:"last_hot"`       // the implausible value
	// CalibrU is the uncertainty of humidity at its calibration, for readings
	// that state none.
	CalibrU sensors.CentiPercent `json:"calibr_u"`
	Loss    Loss                 `json:"loss,omitzero"`
	Level   Level                `json:"level,omitzero"`
	Grain   Grain                `json:"grain,omitzero"`
	Stills  Stills               `json:"stills,omitzero"`
	Told    time.Duration        `json:"told,omitempty"`    // when it was last told to be silent
	Quiet   time.Duration        `json:"quiet,omitempty"`   // when its last silence ended
	Stepped time.Duration        `json:"stepped,omitempty"` // when the last step stood
	Step    Step                 `json:"step,omitzero"`     // last one that air does not make
	Shift   Shift                `json:"shift,omitzero"`
	Steps   Steps                `json:"steps,omitzero"`
	Handled time.Duration        `json:"handled,omitempty"` // when it was last out of service
	Spikes  Spikes               `json:"spikes,omitzero"`
	Calm    Level                `json:"calm,omitzero"` // before the first step of a row
	Away    Away                 `json:"away,omitzero"`
	// OddLeast and OddMost are the shortest and the longest of the odd intervals.
	OddLeast time.Duration `json:"odd_least,omitempty"`
	OddMost  time.Duration `json:"odd_most,omitempty"`
	// HeldBack is the last interval longer than usual: what its node measured in it may come at once.
	HeldBack time.Duration `json:"held_back,omitempty"`
	DewSince time.Duration `json:"dew_since,omitempty"` // its dew point is too high since then
	// How it moves against the rack by night.
	HumDrift  Drift              `json:"hum_drift,omitzero"`
	TempDrift Drift              `json:"temp_drift,omitzero"`
	Own       climate.HourOffset `json:"own"` // usual place against the room, for twins

	dueHum, dueTemp bool // a calibration is due
}

// Judge judges what becomes of probes: silent, frozen, wet, jumping, in
// disagreement, with a wrong clock, or due to be calibrated.
type Judge struct {
	At        []State // by the probe's index
	stood     []stand // the steps that stand, in order of time; nil until one does
	nightOpen bool    // probes are being compared, or that is not known
	moving    float64 // share of the probes that moved of late, but for one that stands
}

// New returns a judge of the probes of a room.
func New(v *room.View) *Judge {
	return &Judge{At: make([]State, len(v.Probes)), nightOpen: true}
}

// Step takes a reading in, and judges what there is to judge.
func (j *Judge) Step(v *room.View, out *room.Out) {
	l := look{j, v, out}
	switch v.Due {
	case room.Arrived:
		l.take(l.at(v.Probe), &v.Reading)
	case room.Ticked:
		l.silence(v.At)
	case room.Minute:
		l.minutely(v.At)
	case room.Learn:
		l.compareNight(v.At)
	case room.Hour:
		for i := range v.Probes {
			l.judgeOverdue(l.at(i), v.At)
		}
	case room.Calibrated:
		l.calibrated(&v.Calibration)
	case room.Blind:
		l.forget(v.At.Mono)
	}
}

// take takes a reading in.
func (l look) take(p probe, r *sensors.Reading) {
	limit := p.SilentAfter(&l.v.Cfg.Rules)
	p.still(r, limit, l.moving)
	l.followWet(p, r)
	swaps{l}.watchSwap(p, r)
	l.takeTemperature(p, r)
	if r.Quality != sensors.Bad {
		p.noteLoss(r.At.Mono-p.HeardAt()-p.St.Unseen, limit, &l.v.Cfg.Rules)
	}
	p.note(r, l.v.Cfg.Room.Poll.D(), l.airIsWet(p, r))
	if until := p.SilentAfter(&l.v.Cfg.Rules); until < limit {
		l.v.AgeAt = -1
	} else { // where all were silent nothing else grows old
		l.v.AgeAt = min(l.v.AgeAt, r.At.Mono+until)
	}
	if p.Open > 0 && r.Quality != sensors.Bad && p.Alarm(alarm.KindSilent).Open() {
		l.judgeSilent(p, r.At)
	}
	l.judgeLossy(p)
	l.judgeReason(p, r.At)
	if p.Encl >= 0 {
		en := &l.v.Enclosures[p.Encl]
		en.St.At = r.At
		l.v.Combine(en, r.At.Mono)
	}
}

// silence looks at every probe while one may have become too old, else at those
// with an open alarm; then at what nobody sees.
func (l look) silence(now sensors.Instant) {
	aged := l.v.Aged()
	if !aged && l.v.Open == 0 {
		return
	}
	late := false
	for i := range l.v.Probes {
		if p := l.at(i); aged || p.Open > 0 {
			l.judgeSilent(p, now)
			late = late || p.Encl >= 0 && l.late(p.Probe, now.Mono)
		}
	}
	if late {
		l.judgeBlind(now)
	}
}

func (l look) minutely(now sensors.Instant) {
	l.judgeFrozen(now)
	ref, ok := l.v.RoomTemp(now.Mono)
	// Places are known against the room, or against the middle of so many that two do not move it.
	lost := !ok && (len(l.v.InRoom) > 0 || len(l.v.Enclosures) < placesRack)
	if !ok {
		ref, ok = l.v.Middle(now.Mono)
	}
	hour := l.v.Hour(now)
	for i := range l.v.Enclosures {
		pairs{l}.judgePair(&l.v.Enclosures[i], ref, hour, ok && hour >= 0, now)
		l.judgeDew(&l.v.Enclosures[i], now)
	}
	swaps{l}.watchPlaces(ref, hour, ok && !lost && hour >= 0, now)
}

// calibrated notes a calibration; what was compared before it counts no more.
func (l look) calibrated(c *room.Calibration) {
	p := l.at(l.v.ByID[c.Probe])
	if c.Humidity.After(p.St.HumDone) {
		p.St.HumDone, p.HumDrift = c.Humidity, Drift{}
	}
	if c.Temperature.After(p.St.TempDone) {
		p.St.TempDone, p.TempDrift, p.Shift = c.Temperature, Drift{}, Shift{}
	}
	if c.Uncertainty > 0 {
		p.CalibrU = sensors.PercentOf(c.Uncertainty)
	}
	l.judgeOverdue(p, l.v.At)
}

// forget lets go of what takes a reading from before a gap and one from now.
func (l look) forget(now time.Duration) {
	for i := range l.v.Probes {
		p := l.at(i)
		p.St.HotRun, p.Step, p.Level, p.Away = 0, Step{}, Level{}, Away{}
		if !p.St.Dewy {
			p.DewSince = 0
		}
		if p.St.Wet.Since == 0 {
			p.St.Wet = room.Wet{}
		}
		if l.v.Absence.Long() {
			p.St.StillAt, p.St.HasPeers, p.St.Leap = now, false, 0
			p.Stills.Temp.Len, p.Stills.Temp.At, p.Stills.Both.Len, p.Stills.Both.At = 0, now, 0, now
		}
	}
}
