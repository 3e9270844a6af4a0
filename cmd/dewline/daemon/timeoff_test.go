package daemon

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A board is one whose clocks a test moves, and its probes' air.
type board struct {
	mono time.Duration
	wall time.Time
	set  func(run time.Duration) bool // whether the clock is set, so long after the start
	lag  time.Duration                // of the clock until it is set
	run  time.Duration                // since the start
	play time.Duration
	temp float64
	ids  []string
}

func (b *board) now() sensors.Instant {
	i := sensors.Instant{Mono: b.mono, Wall: b.wall, Synced: b.set(b.run)}
	if !i.Synced {
		i.Wall = i.Wall.Add(-b.lag)
	}
	return i
}

// A scripted is a source that lets a board live for a while, and then has no
// more readings.
type scripted struct {
	idleSource
	*board
	clock func() sensors.Instant
}

func (*scripted) KeepsTime() bool { return true }

func (s *scripted) Run(_ context.Context, sink Sink) error {
	const poll = 10 * time.Second
	s.board.run = 0
	for n := 0; s.board.run < s.play; n++ {
		s.mono, s.wall, s.board.run = s.mono+poll, s.wall.Add(poll), s.board.run+poll
		for _, id := range s.ids {
			noise := 0.01 * float64(n%5)
			x := sensors.Reading{Probe: sensors.ProbeID(id), At: s.clock(), Has: sensors.HasTemperature | sensors.HasHumidity,
				Temperature: sensors.CelsiusOf(22 + noise), Humidity: sensors.PercentOf(82 + noise), Quality: sensors.Good}
			if id != "room" {
				x.Temperature = sensors.CelsiusOf(s.temp + noise)
			}
			sink.Reading(x)
		}
		sink.Tick(s.clock())
	}
	return nil
}

// live runs a daemon on the board's record and returns what moved. The board's
// clocks belong to the source, and to the core until there is one.
func (b *board) live(t *testing.T, dir, room string, d time.Duration) []rules.Transition {
	t.Helper()
	var moved []rules.Transition
	b.play = d
	frozen := b.now()
	dm, err := New(Options{
		Config: decode(t, room), Dir: dir, Channels: map[string]alert.Channel{},
		Clock: func(resume time.Duration) func() sensors.Instant {
			b.mono, b.run = resume, 0
			frozen = b.now()
			return func() sensors.Instant { return frozen }
		},
		Source: func(*configs.Config, func() sensors.Instant, map[sensors.ProbeID]sensors.Ageing) (Source, error) {
			return &scripted{board: b, clock: b.now}, nil
		},
		Observe: func(x rules.Transition) { moved = append(moved, x) },
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := dm.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	return moved
}

// 46 °C after six hours off, on two probes that agree, with the clock set at the
// start and only after two minutes: heat at the second reading, and the time off
// is told with its true length.
func TestDaemon_AfterATimeOff(t *testing.T) {
	twin := rigRoom + "[[probe]]\nid = \"q\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"moss\"\n"
	for name, after := range map[string]time.Duration{"clock set at once": 0, "clock set later": 2 * time.Minute} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			b := &board{wall: time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC), temp: 24, ids: []string{"room", "p", "q"},
				set: func(time.Duration) bool { return true }}
			for _, x := range b.live(t, dir, twin, 30*time.Minute) {
				if x.Key.Alarm == alarm.BlindPeriod {
					t.Errorf("a first start: %s", words.Fact(x.Detail.Is, unit.Celsius))
				}
			}
			b.wall, b.temp, b.lag = b.wall.Add(6*time.Hour), 46, 6*time.Hour
			b.set = func(run time.Duration) bool { return run >= after }
			moved := b.live(t, dir, twin, 10*time.Minute)
			heat := slices.IndexFunc(moved, func(x rules.Transition) bool {
				return x.Key == alarm.Key{Alarm: alarm.LethalLimit, Subject: "moss"} && x.To == alarm.Unack
			})
			if heat < 0 {
				t.Fatalf("46 °C is not told: %+v", moved)
			}
			if late := moved[heat].At.Mono - (b.mono - b.play); late > 20*time.Second {
				t.Errorf("heat is told after %v", late)
			}
			blind := slices.IndexFunc(moved, func(x rules.Transition) bool { return x.Key.Alarm == alarm.BlindPeriod })
			if blind < 0 || !strings.Contains(words.Fact(moved[blind].Detail.Is, unit.Celsius), "from 1 May 12:30 for 6 h") {
				t.Fatalf("blind %d of %+v", blind, moved)
			}
			if at := moved[blind].At.Mono - (b.mono - b.play); at < after || at > after+10*time.Second {
				t.Errorf("the time off is told after %v, the clock is set after %v", at, after)
			}
		})
	}
}
