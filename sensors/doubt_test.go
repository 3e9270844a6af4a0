package sensors

import "testing"

// What a driver doubts is told above what the judge finds, keeps its values,
// and is no part of what was measured.
func TestJudgeKeepsTheDriversDoubt(t *testing.T) {
	j := NewJudge("x", limitsOf("remote"))
	j.Read(at(0), climate(24, 80), nil)
	for i, s := range []Sample{climate(24.1, 80), climate(33, 80), climate(24.1, 130)} { // sound, a jump, no humidity
		s.Doubt = WrongClock
		r := j.Read(at(float64(10*(i+1))), s, nil)
		s.Doubt = NoReason
		if r.Quality != Suspect || r.Reason != WrongClock || r.Temperature != s.Temperature || r.Raw != s {
			t.Errorf("%+v", r)
		}
	}
	s := climate(24.1, 80)
	s.Doubt = WrongClock
	if r := j.Read(at(40), s, Faultf(BadCRC, "checksum")); r.Quality != Bad || r.Reason != BadCRC {
		t.Errorf("a fault beside the doubt: %+v", r)
	}
	frozen := NewJudge("y", limitsOf("remote"))
	frozen.FreezeAfter(1)
	for i := range 10 { // the same value, whether doubted or not
		s := climate(24, 80)
		if i%2 == 0 {
			s.Doubt = WrongClock
		}
		if r := frozen.Read(at(float64(10*i)), s, nil); i%2 == 1 && r.Reason != FrozenValue {
			t.Errorf("reading %d: %q", i, r.Reason)
		}
	}
}

// A value that a node sent once and that is asked for six times is one value:
// a spike stays a spike, and the next message confirms it or does not.
func TestJudgeTakesAValueThatIsThereAgainForNoConfirmation(t *testing.T) {
	j := NewJudge("x", limitsOf("remote"))
	seconds := 0.0
	message := func(celsius, percent float64, want Reason) {
		t.Helper()
		for poll := range 6 {
			s := climate(celsius, percent)
			s.Again = poll > 0
			r := j.Read(at(seconds), s, nil)
			if r.Reason != want || r.Again != (poll > 0) || r.Raw.Again {
				t.Errorf("%v °C at %v s: %q, again %v", celsius, seconds, r.Reason, r.Again)
			}
			seconds += 10
		}
	}
	message(24, 85, NoReason)
	message(31, 85, Jump)
	message(24.1, 85, NoReason)
	message(24.1, 55, Jump)
	message(24.1, 85, NoReason)
	for _, want := range []Reason{Jump, Jump, NoReason} { // a new level
		message(31, 85, want)
	}
	seconds += 240 // and 4 °C are no jump for one that speaks every ten minutes
	for range 30 {
		s := climate(31, 85)
		s.Again = true
		j.Read(at(seconds), s, nil)
		seconds += 10
	}
	message(35, 85, NoReason)
	frozen := NewJudge("y", limitsOf("remote"))
	frozen.FreezeAfter(1)
	for i := range 5 {
		s := climate(24, 80)
		s.Again = i > 0
		if r := frozen.Read(at(float64(10*i)), s, nil); i > 0 && r.Reason != FrozenValue {
			t.Errorf("reading %d: %q", i, r.Reason)
		}
	}
}
