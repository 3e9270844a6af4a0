package rules

import (
	"dewline/rules/alarm"
	"testing"
	"time"
)

// A cause is told again only when another one has shown for a while.
func TestFollowCause_WaitsAndTellsOnce(t *testing.T) {
	r := newRig(t, rigConfig(t, 3, ""))
	r.now = 13 * time.Hour
	r.run(40*time.Minute, r.hold("p1", 28, 85))
	before := r.last(alarm.AboveBand).Cause
	r.log = nil
	leap := &r.e.v.Probes[1].St // the litter probe's history says that it leapt
	leap.Leap, leap.LeapAt = 500, r.now
	r.run(9*time.Minute, r.hold("p1", 28, 85))
	if len(r.events(alarm.AboveBand, "")) != 0 {
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
		if st := &r.e.judges.mist.At[0]; !st.HasDue && r.e.v.Enclosures[0].St.Missed == 0 {
			t.Errorf("%+v", st.DueAt)
		}
	})
	t.Run("a step over it is not", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, mist))
		r.run(20*time.Minute, r.calm)
		r.skew = 2 * time.Hour
		r.run(20*time.Minute, r.calm)
		if st, missed := &r.e.judges.mist.At[0], r.e.v.Enclosures[0].St.Missed; st.HasDue || missed != 0 {
			t.Errorf("due %v, missed %d", st.HasDue, missed)
		}
		r.want(alarm.MistMissing, "", "")
	})
	t.Run("an unset clock has no schedule", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, mist))
		r.synced = false
		r.run(40*time.Minute, r.calm)
		if st := &r.e.judges.mist.At[0]; st.HasDue {
			t.Error("due")
		}
		if v := r.e.Enclosures()[0]; v.LampsOn != nil || v.BandName != "day or night" || len(v.Unknown) == 0 {
			t.Errorf("%+v", v)
		}
	})
}

func TestLoad_DaysAndFloods(t *testing.T) {
	var l Load
	for i := range 3 {
		l.Raised(time.Duration(i)*Day+time.Hour, alarm.Today)
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
