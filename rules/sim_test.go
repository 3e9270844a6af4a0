package rules

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
	simroom "dewline/sensors/sim"
	"dewline/sensors/table"
)

// sim is an engine that watches a simulated room through the judges of its
// probes. The room's physics share no formula with the rules.
type sim struct {
	*rig
	room   *simroom.Room
	judges map[string]*sensors.Judge
	begin  time.Time
	every  time.Duration
}

func newSim(t testing.TB, o simroom.Options) *sim {
	t.Helper()
	cfg, err := table.Decode("sim.toml", o.TOML())
	if err != nil {
		t.Fatal(err)
	}
	room, err := simroom.New(o)
	if err != nil {
		t.Fatal(err)
	}
	s := &sim{rig: newRig(t, cfg), room: room, judges: map[string]*sensors.Judge{}, begin: room.Now(), every: poll}
	s.now = 0
	for _, p := range cfg.Probes {
		s.judges[p.ID] = table.NewJudge(sensors.ProbeID(p.ID), p.Family)
	}
	return s
}

func (s *sim) clock() sensors.Instant {
	return sensors.Instant{Mono: s.now, Wall: s.begin.Add(s.now), Synced: true}
}

// live lets simulated time pass.
func (s *sim) live(d time.Duration) {
	for end := s.now + d; s.now < end; {
		s.now += s.every
		s.room.Advance(s.every)
		now := s.clock()
		for _, p := range s.cfg.Probes {
			sample, err := s.room.Sample(sensors.ProbeID(p.ID))
			r := s.judges[p.ID].Read(now, sample, err)
			s.take(s.e.Step(&r))
		}
		s.take(s.e.Tick(now))
	}
}

func (s *sim) inject(k simroom.Kind, on simroom.Target, length time.Duration) {
	s.t.Helper()
	f := simroom.Fault{Kind: k, On: on, From: s.room.Now()}
	if length > 0 {
		f.To = f.From.Add(length)
	}
	if err := s.room.Inject(f); err != nil {
		s.t.Fatal(err)
	}
}

// many is how many random rooms a test looks at: a few by default, more with
//
//	DEWLINE_ROOMS=100 go test -run TestSim ./rules
func many(standard int) int {
	if n, err := strconv.Atoi(os.Getenv("DEWLINE_ROOMS")); err == nil {
		return n
	}
	return standard
}

// warm is the demo room after some healthy days, for faults to befall it.
type warm struct {
	room    *simroom.Room
	cfg     *configs.Config
	begin   time.Time
	now     time.Duration
	state   []byte
	records []room.Record
}

func warmUp(t testing.TB, d time.Duration) *warm {
	t.Helper()
	skipUnderRace(t)
	cfg, err := table.Decode("demo.toml", configs.Demo())
	if err != nil {
		t.Fatal(err)
	}
	o, err := simroom.FromConfig(cfg, 7, time.Date(2026, 7, 6, 6, 0, 0, 0, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	s := newSim(t, o)
	s.live(d)
	s.quiet()
	state, err := json.Marshal(s.e.State())
	if err != nil {
		t.Fatal(err)
	}
	return &warm{room: s.room, cfg: s.cfg, begin: s.begin, now: s.now, state: state, records: s.e.Records()}
}

// again goes on from the warm room, as after a restart.
func (w *warm) again(t testing.TB) *sim {
	t.Helper()
	s := &sim{rig: newRig(t, w.cfg), room: w.room.Clone(), judges: map[string]*sensors.Judge{}, begin: w.begin, every: poll}
	s.now = w.now
	for _, p := range w.cfg.Probes {
		s.judges[p.ID] = table.NewJudge(sensors.ProbeID(p.ID), p.Family)
	}
	var st State
	if err := json.Unmarshal(w.state, &st); err != nil {
		t.Fatal(err)
	}
	s.take(s.e.Restore(&st, w.records, s.clock()))
	return s
}

// What must be told of each fault, with which cause, and what must not. Times
// are from noon, lamps on, of a summer day.
func TestSim_Faults(t *testing.T) {
	w := warmUp(t, 3*24*time.Hour+6*time.Hour)
	tank := simroom.Target{Enclosure: "a-1-1"}
	probe := simroom.Target{Probe: "a-1-1-canopy"}
	for _, c := range []struct {
		kind    simroom.Kind
		on      simroom.Target
		watch   time.Duration
		alarm   alarm.ID
		subject string
		within  time.Duration
		cause   alarm.CauseKind
		never   alarm.ID
	}{
		{simroom.ACFailure, simroom.Target{}, 8 * time.Hour, alarm.AboveBand, "b-1-1", 4 * time.Hour, alarm.CauseRoom, alarm.ProbeJump},
		{simroom.ACFailure, simroom.Target{}, 8 * time.Hour, alarm.LethalAhead, "b-3-1", 7 * time.Hour, alarm.CauseRoom, alarm.MistEndless},
		{simroom.HeaterStuckOn, tank, time.Hour, alarm.LethalAhead, "a-1-1", 20 * time.Minute, alarm.CauseEnclosure, alarm.ProbeJump},
		{simroom.HeaterStuckOn, tank, time.Hour, alarm.LethalLimit, "a-1-1", 30 * time.Minute, alarm.CauseEnclosure, alarm.ProbeJump},
		{simroom.HeaterStuckOn, tank, 90 * time.Minute, alarm.Exposure, "a-1-1", time.Hour, alarm.CauseEnclosure, alarm.ProbeJump},
		{simroom.LampStuckOn, simroom.Target{Rack: "a", Shelf: 1}, 14 * time.Hour, alarm.LampStuck, "a-1-1", 10 * time.Hour, alarm.CauseLamps, alarm.LethalLimit},
		{simroom.SupplyOut, simroom.Target{Supply: "pump-a"}, 9 * time.Hour, alarm.MistMissing, "a-3-2", 9 * time.Hour, alarm.CauseSupply, alarm.LampStuck},
		{simroom.NozzleClogged, tank, 9 * time.Hour, alarm.MistMissing, "a-1-1", 9 * time.Hour, alarm.CauseEnclosure, alarm.LampStuck},
		{simroom.MisterStuckOn, simroom.Target{Supply: "pump-a"}, 4 * time.Hour, alarm.MistEndless, "a-1-2", 4 * time.Hour, alarm.CauseSupply, alarm.DoorAjar},
		{simroom.DoorAjar, tank, time.Hour, alarm.DoorAjar, "a-1-1", 20 * time.Minute, alarm.CauseDoor, alarm.ProbeJump},
		{simroom.DoorAjar, tank, time.Hour, alarm.HumidityFloor, "a-1-1", 30 * time.Minute, alarm.CauseDoor, alarm.ProbeJump},
		{simroom.ProbeSilent, probe, time.Hour, alarm.ProbeSilent, "a-1-1-canopy", time.Minute, alarm.CauseProbe, alarm.LethalLimit},
		{simroom.ProbeFrozen, probe, 10 * time.Hour, alarm.ProbeFrozen, "a-1-1-canopy", 9 * time.Hour, alarm.CauseProbe, alarm.LethalLimit},
		{simroom.ProbeNoisy, probe, time.Hour, alarm.ProbeJump, "a-1-1-canopy", 10 * time.Minute, alarm.CauseProbe, alarm.LethalLimit},
		{simroom.ProbePowerOn, probe, time.Hour, alarm.ProbeJump, "a-1-1-canopy", time.Minute, alarm.CauseProbe, alarm.LethalLimit},
		{simroom.DoorOpened, tank, 6 * time.Hour, "", "", 0, "", alarm.HumidityFloor},
	} {
		t.Run(c.kind.String()+"/"+string(c.alarm), func(t *testing.T) {
			s := w.again(t)
			from := s.now
			s.inject(c.kind, c.on, 0)
			s.live(c.watch)
			if got := s.events(c.never, ""); got != "" {
				t.Errorf("%s: %s", c.never, got)
			}
			for _, x := range s.log {
				if c.alarm == "" {
					t.Errorf("+%v %v>%v %v: %s", x.At.Mono-from, x.From, x.To, x.Key, x.Text)
				}
				if x.Key == (alarm.Key{Alarm: c.alarm, Subject: c.subject}) && x.To == alarm.Unack {
					if after := x.At.Mono - from; after > c.within || x.Cause.Kind != c.cause || x.Detail.FirstAction == "" {
						t.Errorf("after %v, cause %v: %s", after, x.Cause, x.Text)
					}
					return
				}
			}
			if c.alarm != "" {
				t.Errorf("%s of %s never came", c.alarm, c.subject)
			}
		})
	}
}

// One cause, one notice: every alarm of a warming room names the room, and no
// lethal limit is passed without a wake alarm before.
func TestSim_RoomFailureIsOneCause(t *testing.T) {
	s := warmUp(t, 3*24*time.Hour+6*time.Hour).again(t)
	ceilings := map[string]float64{}
	for _, v := range s.e.Enclosures() {
		ceilings[v.ID] = v.Lethal
	}
	s.inject(simroom.ACFailure, simroom.Target{}, 0)
	woken := map[string]bool{}
	for range 8 * 360 {
		s.live(poll)
		for _, x := range s.log {
			if x.Priority == alarm.Wake && x.To == alarm.Unack {
				woken[x.Key.Subject] = true
			}
			if x.Cause.Kind != alarm.CauseRoom {
				t.Errorf("%v says %v: %s", x.Key, x.Cause, x.Text)
			}
		}
		s.log = s.log[:0]
		for id, ceiling := range ceilings {
			if truth, _ := s.room.Truth(id); truth.Canopy >= ceiling+0.3 && !woken[id] {
				t.Fatalf("%s reached %.2f °C and nobody was woken", id, truth.Canopy)
			}
		}
	}
	if len(woken) < 3 {
		t.Errorf("only %v were woken for", woken)
	}
}

func TestSim_NightsWithoutADrop(t *testing.T) {
	s := warmUp(t, 2*24*time.Hour+6*time.Hour).again(t)
	s.inject(simroom.LampStuckOn, simroom.Target{Rack: "a", Shelf: 1}, 0)
	s.live(2*24*time.Hour + 22*time.Hour)
	s.want(alarm.NightDrop, "a-1-1", "NORM>UNACK")
	x := s.last(alarm.NightDrop)
	if want := "3 nights without"; !strings.Contains(x.Text, want) {
		t.Errorf("%q lacks %q", x.Text, want)
	}
	if got := s.events(alarm.NightDrop, "b-1-1"); got != "" {
		t.Errorf("a shelf whose lamps work: %s", got)
	}
	v := s.e.Enclosures()[0]
	if v.NightDrop == nil || *v.NightDrop > 1 || v.NightsNoDrop < 3 || v.LastMist == nil || v.DewPoint == nil || v.VPD == nil {
		t.Errorf("%+v", v)
	}
}

func skipUnderRace(t testing.TB) {
	if raceOn {
		t.Skip("simulated days of a single-threaded engine: run without -race")
	}
}

func TestSim_CalmWeeksRaiseNothing(t *testing.T) {
	skipUnderRace(t)
	for seed := range uint64(many(2)) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			s := newSim(t, simroom.RandomRoom(rand.New(rand.NewPCG(seed, 1))))
			s.live(7 * 24 * time.Hour)
			s.quiet()
		})
	}
}
