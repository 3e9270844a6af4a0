package rules

import (
	"testing"
	"time"

	"dewline/sensors"
)

// A cause is told again only when another one has shown for a while.
func TestFollowCause_WaitsAndTellsOnce(t *testing.T) {
	r := newRig(t, rigConfig(t, 3, ""))
	r.now = 13 * time.Hour
	r.run(40*time.Minute, r.hold("p1", 28, 85))
	before := r.last(AboveBand).Cause
	r.log = nil
	leap := &r.e.v.Probes[1].St // the litter probe's history says that it leapt
	leap.Leap, leap.LeapAt = 500, r.now
	r.run(9*time.Minute, r.hold("p1", 28, 85))
	if len(r.events(AboveBand, "")) != 0 {
		t.Error("told at once")
	}
	r.run(30*time.Minute, r.hold("p1", 28, 85))
	n := 0
	for _, x := range r.log {
		if x.Why == whyCause {
			n++
			if x.From != x.To || x.Cause == before {
				t.Errorf("%v>%v, %v", x.From, x.To, x.Cause)
			}
		}
	}
	if n != 1 {
		t.Errorf("told %d times", n)
	}
}

func TestMists_ClockStepsAreNotMissedMists(t *testing.T) {
	mist := "[[mist]]\nid = \"m\"\ntimes = [\"09:30\", \"15:00\"]\n"
	t.Run("a mist is due when the clock says so", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, mist))
		r.run(40*time.Minute, r.calm)
		if st := &r.e.v.Enclosures[0].St; !st.HasDue && st.Missed == 0 {
			t.Errorf("%+v", st.DueAt)
		}
	})
	t.Run("a step over it is not", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, mist))
		r.run(20*time.Minute, r.calm)
		r.skew = 2 * time.Hour
		r.run(20*time.Minute, r.calm)
		if st := &r.e.v.Enclosures[0].St; st.HasDue || st.Missed != 0 {
			t.Errorf("due %v, missed %d", st.HasDue, st.Missed)
		}
		r.want(MistMissing, "", "")
	})
	t.Run("an unset clock has no schedule", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, mist))
		r.synced = false
		r.run(40*time.Minute, r.calm)
		if st := &r.e.v.Enclosures[0].St; st.HasDue {
			t.Error("due")
		}
		if v := r.e.Enclosures()[0]; v.LampsOn != nil || v.BandName != "day or night" || len(v.Unknown) == 0 {
			t.Errorf("%+v", v)
		}
	})
}

func TestSoaks_OnlyTheUnusualIsOdd(t *testing.T) {
	var s Soaks
	if s.odd(2*time.Hour) || !s.odd(3*time.Hour) {
		t.Error("before anything is known three hours are odd, less is not")
	}
	for range 4 {
		s.Most = 90 * time.Minute
		s.pulse()
	}
	if s.odd(100*time.Minute) || !s.odd(121*time.Minute) {
		t.Error("a third over the usual 90 min is odd, less is not")
	}
	s = Soaks{Num: 8}
	if s.odd(29*time.Minute) || !s.odd(31*time.Minute) {
		t.Error("an enclosure that never soaks: half an hour")
	}
}

func TestProbe_Rhythm(t *testing.T) {
	p := &Probe{}
	at := time.Duration(0)
	read := func(d time.Duration) {
		at += d
		p.note(&sensors.Reading{At: instant(at), Quality: sensors.Good}, poll)
	}
	read(0)
	read(time.Minute) // the first interval teaches
	if p.St.Interval != time.Minute {
		t.Fatalf("%v", p.St.Interval)
	}
	read(10 * time.Minute) // one outage does not
	read(time.Hour)
	if p.St.Interval != time.Minute {
		t.Errorf("after an outage: %v", p.St.Interval)
	}
	for range 5 {
		read(10 * time.Second)
	}
	if p.St.Interval != 10*time.Second {
		t.Errorf("after a change for good: %v", p.St.Interval)
	}
}

func TestProbe_HeatTrust(t *testing.T) {
	p := &Probe{St: ProbeState{Temp: 2400, HasTemp: true, TempAt: time.Minute, Interval: poll}}
	for _, c := range []struct {
		q    sensors.Quality
		why  sensors.Reason
		temp sensors.CentiCelsius
		want trust
	}{
		{sensors.Good, sensors.NoReason, 2400, trusted},
		{sensors.Bad, sensors.BadCRC, 2400, noUse},
		{sensors.Suspect, sensors.PinnedWet, 2400, trusted},
		{sensors.Suspect, sensors.DewTooHigh, 2400, trusted},
		{sensors.Suspect, sensors.Jump, 2450, trusted}, // the humidity jumped
		{sensors.Suspect, sensors.Jump, 3100, doubted},
		{sensors.Suspect, sensors.FrozenValue, 2400, doubted},
		{sensors.Suspect, sensors.Swapped, 2400, doubted},
		{sensors.Suspect, sensors.Heating, 2400, noUse},
		{sensors.Suspect, sensors.TooOld, 2400, noUse},
	} {
		r := sensors.Reading{At: instant(time.Minute + poll), Has: sensors.HasTemperature, Temperature: c.temp, Quality: c.q, Reason: c.why}
		if got := p.heatTrust(&r); got != c.want {
			t.Errorf("%v %v at %v: %d, want %d", c.q, c.why, c.temp, got, c.want)
		}
	}
	if got := p.heatTrust(&sensors.Reading{Quality: sensors.Good}); got != noUse {
		t.Errorf("a reading without a temperature: %d", got)
	}
}

func TestLoad_DaysAndFloods(t *testing.T) {
	var l Load
	for i := range 3 {
		l.raised(time.Duration(i)*Day+time.Hour, Today)
	}
	l.turn(4*Day + time.Hour)
	if l.Days[0] != 0 || l.Days[1] != 0 || l.Days[2] != 1 || l.Days[4] != 1 {
		t.Errorf("%v", l.Days)
	}
	l.turn(90 * Day)
	for i, n := range l.Days {
		if n != 0 {
			t.Errorf("day %d still counts %d", i, n)
		}
	}
	if n := l.within(2*Day+time.Hour+5*time.Minute, floodSpan); n != 1 {
		t.Errorf("%d raises in the last ten minutes", n)
	}
}
