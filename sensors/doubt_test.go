package sensors

import "testing"

// What a driver doubts is told above what the judge finds, keeps its values,
// and is no part of what was measured.
func TestJudgeKeepsTheDriversDoubt(t *testing.T) {
	j := NewJudge("x", "remote")
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
	frozen := NewJudge("y", "remote")
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
