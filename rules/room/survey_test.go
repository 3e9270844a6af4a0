package room_test

import (
	"fmt"
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

// An enclosure hangs on its own timers, or on none.
func TestNewView_Timers(t *testing.T) {
	enclosure := func(id string, slot int) string {
		return fmt.Sprintf("[[probe]]\nid = \"of-%[1]s\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"%[1]s\"\n"+
			"[[enclosure]]\nid = \"%[1]s\"\nname = \"Tank %[1]s\"\nrack = \"a\"\nshelf = 1\nslot = %[2]d\nspecies = \"dendrobates-tinctorius\"\nstage = \"adult\"\nvolume = \"90 L\"\n", id, slot)
	}
	v := roomtest.View(t, 1, "[[lamps]]\nid = \"other\"\non = \"08:00-20:00\"\n[[mist]]\nid = \"n\"\ntimes = [\"09:00\"]\n"+
		enclosure("x1", 8)+"lamps = \"other\"\nmist = \"n\"\n"+enclosure("x2", 9))
	for i, want := range []int{0, 1, -1} {
		if en := &v.Enclosures[i]; en.Lamps != want || en.Mist != want {
			t.Errorf("enclosure %d: lamps %d, mist %d, want %d", i, en.Lamps, en.Mist, want)
		}
	}
	if r := v.RoomCase(v.At); r.Temp != 24 || !r.HasTemp {
		t.Errorf("a room at 24 °C: %+v", r)
	}
}

// Of several probes that are doubted it is the hottest, and else the first.
func TestDoubtful_TheHottestFirst(t *testing.T) {
	for _, c := range []struct {
		doubted []int
		want    int // 0 for none
	}{{nil, 0}, {[]int{1}, 1}, {[]int{2}, 2}, {[]int{3}, 3}, {[]int{1, 2}, 2}, {[]int{1, 3}, 1}, {[]int{2, 3}, 2}} {
		beside := "[[probe]]\nid = \"%s\"\nfamily = \"simulated\"\nplace = \"canopy\"\nenclosure = \"e1\"\n"
		v := roomtest.View(t, 1, fmt.Sprintf(beside+beside, "q1", "q2"))
		for _, i := range c.doubted {
			v.Probes[i].St.Doubtful = true
		}
		en, got := &v.Enclosures[0], 0
		en.Now.HotProbe = 2
		if p := v.Doubtful(en, v.At, 0); p != nil {
			got = p.Index
		}
		if got != c.want {
			t.Errorf("of %v: %d, want %d", c.doubted, got, c.want)
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
