package sim

import (
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"dewline/configs"
	"dewline/sensors/table"
)

// A calm week in rooms of every season, zone and size: each enclosure keeps
// inside its species' bands (from the configuration's own table, three hours
// after a change of the lamps), half an hour's stray apart, and never dries
// out. More rooms than the usual three, some 0.1 s each:
//
//	CALM_ROOMS=150 go test -run CalmWeek ./sensors/sim
func TestCalmWeek(t *testing.T) {
	rng := rand.New(rand.NewPCG(20260101, 1))
	rooms := 3
	if n, err := strconv.Atoi(os.Getenv("CALM_ROOMS")); err == nil {
		rooms = n
	}
	for i := range rooms {
		o := RandomRoom(rng)
		text := o.TOML()
		if i == 0 { // the demo's own room in high summer
			text = configs.Demo()
		}
		cfg, err := table.Decode("room.toml", text)
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			if o, err = FromConfig(cfg, 1, julyAt(6, 0)); err != nil {
				t.Fatal(err)
			}
		}
		r := mustNew(t, o)
		streak := map[string]int{}
		for range 7 * 24 * 12 {
			r.Advance(5 * time.Minute)
			before := streak
			streak = map[string]int{}
			for _, e := range cfg.Enclosures {
				for _, what := range r.strays(t, cfg, e) {
					what += ": " + e.ID + ", " + e.Species
					if streak[what] = before[what] + 1; streak[what] == 6 {
						t.Errorf("room from %s in %s with %d tanks: %s, %s", o.Start.Format(time.RFC3339),
							o.Location, len(o.Enclosures), what, r.Now().Format(time.DateTime))
					}
				}
			}
		}
	}
}

// strays names what is out of band in one enclosure now.
func (r *Room) strays(t *testing.T, cfg *configs.Config, e configs.Enclosure) (list []string) {
	tr, s := truth(t, r, e.ID), cfg.SpeciesFor(e)
	lamps, _ := cfg.LampsOf(e)
	minute := configs.ClockTime(r.Now().Hour()*60 + r.Now().Minute())
	band := s.Night
	if lamps.On.Contains(minute) {
		band = s.Day
	}
	if settling := lamps.On.Contains((minute+1440-180)%1440) != lamps.On.Contains(minute); settling {
		band = configs.Band{Low: min(s.Day.Low, s.Night.Low), High: max(s.Day.High, s.Night.High)}
	}
	if tr.Hottest > float64(band.High) {
		list = append(list, "above the band")
	}
	if tr.Litter < float64(band.Low) {
		list = append(list, "below the band")
	}
	if tr.CanopyHumidity < 70 || tr.Humidity < 75 {
		list = append(list, "dry")
	}
	return list
}

// Day against night, two hours before each change of the lamps.
func TestNightDrop(t *testing.T) {
	r := mustNew(t, testRoom(3, julyAt(19, 0)))
	day := truth(t, r, "aa")
	r.Advance(12 * time.Hour)
	night := truth(t, r, "aa")
	if drop := day.Litter - night.Litter; drop < 2 || drop > 4 {
		t.Errorf("litter falls by %.2f °C", drop)
	}
	if layer := day.Canopy - day.Litter; layer < 0.5 || layer > 4 {
		t.Errorf("canopy %.2f °C over litter by day", layer)
	}
	if layer := night.Canopy - night.Litter; layer > 0.3 || layer < -0.3 {
		t.Errorf("canopy %.2f °C over litter by night", layer)
	}
}

// An air conditioner that fails on a hot day carries every tank over 30 °C in
// some hours, the room leading; lamps off at once win time.
func TestHotDay(t *testing.T) {
	r := mustNew(t, testRoom(6, julyAt(10, 0)))
	mustInject(t, r,
		Fault{Kind: HotSpell, From: julyAt(6, 0), Amount: 12},
		Fault{Kind: ACFailure, From: julyAt(11, 0)})
	dark := r.Clone()
	mustInject(t, dark, Fault{Kind: LampStuckOff, On: Target{Lamps: "lamps"}, From: julyAt(14, 0)})
	crossed := map[*Room]time.Time{}
	for _, room := range []*Room{r, dark} {
		crossed[room] = hotAt(room, julyAt(23, 0), "aa")
	}
	if at := crossed[r]; at.Before(julyAt(13, 0)) || at.After(julyAt(19, 0)) {
		t.Errorf("30 °C at %s", at.Format(time.TimeOnly))
	}
	if won := crossed[dark].Sub(crossed[r]); won < 40*time.Minute {
		t.Errorf("lamps off wins %s", won)
	}
}

// hotAt moves a room on and returns when the first of some tanks is at 30 °C, at
// the latest the end.
func hotAt(r *Room, end time.Time, tanks ...string) time.Time {
	for r.Now().Before(end) {
		for _, id := range tanks {
			if is, _ := r.Truth(id); is.Hottest >= 30 {
				return r.Now()
			}
		}
		r.Advance(MaxStep)
	}
	return end
}

// The told day: the hot tanks of the demo room reach 30 °C in the afternoon,
// and the evening brings them back.
func TestStory(t *testing.T) {
	cfg, err := table.Decode("demo.toml", configs.Demo())
	if err != nil {
		t.Fatal(err)
	}
	for _, day := range []time.Time{
		time.Date(2026, 7, 10, 15, 0, 0, 0, time.UTC), time.Date(2026, 1, 20, 3, 0, 0, 0, time.UTC),
	} {
		start := time.Date(day.Year(), day.Month(), day.Day(), StoryHour, 0, 0, 0, cfg.Room.Location)
		o, err := FromConfig(cfg, 1, start)
		if err != nil {
			t.Fatal(err)
		}
		r := told(t, o, start)
		at := func(hour int) time.Time { return start.Add(time.Duration(hour-StoryHour) * time.Hour) }
		r.AdvanceTo(at(13))
		for _, e := range o.Enclosures {
			if hot := truth(t, r, e.ID).Hottest; hot > 26 {
				t.Errorf("%s: already %.1f °C at 13:00", e.ID, hot)
			}
		}
		var all []string
		for _, e := range o.Enclosures {
			all = append(all, e.ID)
		}
		first := hotAt(r, at(30), all...)
		r.AdvanceTo(at(30))
		for _, e := range o.Enclosures {
			if hot := truth(t, r, e.ID).Hottest; hot > 23 {
				t.Errorf("%s: still %.1f °C next morning", e.ID, hot)
			}
		}
		t.Logf("30 °C first reached at %s", first.Format(time.DateTime))
		if first.Before(at(15)) || first.After(at(18)) {
			t.Errorf("30 °C first reached at %s", first.Format(time.DateTime))
		}
	}
}

// told is a room with its story.
func told(t *testing.T, o Options, start time.Time) *Room {
	t.Helper()
	r := mustNew(t, o)
	for _, b := range Story(o, start) {
		mustInject(t, r, b.Fault)
		if b.Title == "" || b.Fault.From.Before(start) || b.Fault.From.After(start.Add(24*time.Hour)) {
			t.Errorf("beat %+v", b)
		}
	}
	return r
}

// A room with nothing in it still has its weather and its air conditioner.
func TestStoryOfBareRoom(t *testing.T) {
	o := Options{Start: julyAt(6, 0)}
	beats := Story(o, o.Start)
	if len(beats) != 2 || beats[0].Fault.Kind != HotSpell || beats[1].Fault.Kind != ACFailure {
		t.Errorf("%+v", beats)
	}
	r := mustNew(t, o)
	for _, b := range beats {
		mustInject(t, r, b.Fault)
	}
	r.AdvanceTo(julyAt(15, 0))
	if out := r.house.outdoors; !near(out, 36, 0.5) {
		t.Errorf("%.1f °C outdoors at 15:00", out)
	}
}

// Probes of calm rooms look like probes in order: none lies at saturation for
// two hours on end, none is wildly off.
func TestCalmProbes(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	for range 4 {
		o := RandomRoom(rng)
		r := mustNew(t, o)
		soaked := make([]int, len(o.Probes))
		for range 3 * 24 * 12 {
			r.Advance(5 * time.Minute)
			for i, p := range o.Probes {
				s, err := r.Sample(p.ID)
				if err != nil {
					t.Fatal(err)
				}
				soaked[i]++
				if s.Humidity < 9950 {
					soaked[i] = 0
				}
				if soaked[i] == 24 {
					t.Errorf("probe %s, humidity off by %.1f and creeping to %.1f, is soaked at %s",
						p.ID, p.HumOffset, p.HumCreep, r.Now())
				}
			}
		}
	}
}
