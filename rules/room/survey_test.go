package room_test

import (
	"testing"
	"time"

	"dewline/rules/room"
	"dewline/rules/room/roomtest"
)

// A room of many enclosures is surveyed once a poll, however many tell at once; a
// small one whenever somebody asks.
func TestSurvey_LargeRoomsOnceAPoll(t *testing.T) {
	for n, fresh := range map[int]bool{12: true, 150: false} {
		v := roomtest.View(t, n, "")
		if pic := v.Survey(v.At); pic.Judged != n || pic.Above != 0 {
			t.Fatalf("%d enclosures: %d judged, %d above their bands", n, pic.Judged, pic.Above)
		}
		roomtest.Says(v, 1, 35, 85)
		if pic := v.Survey(v.At); (pic.Above == 1) != fresh {
			t.Errorf("%d enclosures, at once: %d above", n, pic.Above)
		}
		later := v.At.Add(v.Cfg.Room.Poll.D())
		if pic := v.Survey(later); pic.Above != 1 {
			t.Errorf("%d enclosures, a poll later: %d above", n, pic.Above)
		}
		back := v.At.Add(-time.Minute) // a state from elsewhere
		roomtest.Says(v, 2, 35, 85)
		if pic := v.Survey(back); pic.Above != 2 {
			t.Errorf("%d enclosures, of a time before: %d above", n, pic.Above)
		}
	}
}

// A set gives back what was put into it, in the order of the kinds, and no more.
func TestKinds(t *testing.T) {
	var s room.Kinds
	for _, k := range []room.Kinds{5, 0, 31} {
		s |= 1 << k
	}
	s.Turn(0)
	s.Turn(7)
	var got []int
	for k := range s.All() {
		if got = append(got, int(k)); k == 7 {
			s.Turn(31) // what ends meanwhile is still visited
		}
	}
	if len(got) != 3 || got[0] != 5 || got[1] != 7 || got[2] != 31 || s.Has(31) || !s.Has(5) {
		t.Errorf("%v, left %b", got, s)
	}
}
