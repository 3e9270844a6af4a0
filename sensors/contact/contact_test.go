package contact

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// A chip is a simulated one: lines by offset, which may fail.
type chip struct {
	mu     sync.Mutex
	level  map[int]bool
	fails  map[int]error
	closed int
}

// set is what somebody does to the chip meanwhile.
func (c *chip) set(do func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	do()
}

func (c *chip) open(k configs.Contact) (Line, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.fails[k.Line]; err != nil {
		return nil, err
	}
	return &line{c, k.Line, k.ActiveLow}, nil
}

type line struct {
	chip   *chip
	offset int
	low    bool
}

func (l *line) Active() (bool, error) {
	l.chip.mu.Lock()
	defer l.chip.mu.Unlock()
	return l.chip.level[l.offset] != l.low, l.chip.fails[l.offset]
}

func (l *line) Close() error { l.chip.closed++; return nil }

// told keeps what a watch tells, without what is the same again.
type told []string

func (t *told) take(began time.Time) func(sensors.Contact) {
	last := map[string]string{}
	return func(c sensors.Contact) {
		what := fmt.Sprintf("%s %v", c.ID, c.Active)
		if !c.Known {
			what = c.ID + " not known"
		}
		if last[c.ID] != what {
			last[c.ID] = what
			*t = append(*t, fmt.Sprintf("%s %s", time.Since(began), what))
		}
	}
}

// A level that bounces is told once it has held; a line that fails says so, hides
// none of the others, and is had again later.
func TestWatch_Lines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &chip{level: map[int]bool{1: true, 2: true}, fails: map[int]error{3: errors.New("no such line")}}
		w := New([]configs.Contact{
			{ID: "pump", Is: configs.SensePump, Chip: "x", Line: 1, Debounce: configs.Duration(time.Second)},
			{ID: "mains", Is: configs.SenseMains, Chip: "x", Line: 2, ActiveLow: true, Debounce: configs.Duration(time.Second)},
			{ID: "door", Is: configs.SenseDoor, Chip: "x", Line: 3, Debounce: configs.Duration(time.Second)},
		}, c.open, nil)
		var got told
		ctx, cancel := context.WithCancel(t.Context())
		go w.Run(ctx, got.take(time.Now()))
		pass := func(d time.Duration) { time.Sleep(d); synctest.Wait() }
		pass(5 * time.Second)
		for range 8 { // 2 s of bouncing
			c.set(func() { c.level[1] = !c.level[1] })
			pass(250 * time.Millisecond)
		}
		c.set(func() { c.level[1] = false })
		pass(20 * time.Second)
		c.set(func() {
			c.fails[2] = errors.New("the chip went")
			delete(c.fails, 3)
		})
		pass(40 * time.Second)
		c.set(func() { delete(c.fails, 2) })
		pass(2 * time.Minute)
		cancel()
		synctest.Wait()
		want := told{"0s door not known", "1s pump true", "1s mains false"}
		if !slices.Equal(got[:3], want) {
			t.Errorf("told %q first, want %q", got[:3], want)
		}
		all := strings.Join(got, "\n")
		for _, once := range []string{"pump true", "pump false", "mains not known", "door false"} {
			if strings.Count(all, once) != 1 {
				t.Errorf("%q is not told once:\n%s", once, all)
			}
		}
		if strings.Count(all, "mains false") != 2 {
			t.Errorf("the line that failed is not had again:\n%s", all)
		}
		if c.closed != 4 { // three at the end, one that failed
			t.Errorf("%d lines let go of, want 4", c.closed)
		}
	})
}

type node struct {
	percent sensors.CentiPercent
	err     error
}

func (n *node) Sample(context.Context) (sensors.Sample, error) {
	return sensors.Sample{Has: sensors.HasHumidity, Humidity: n.percent}, n.err
}

// What a node sends is a fact or a figure; a silent one is not known.
func TestWatch_Nodes(t *testing.T) {
	for _, x := range []struct {
		cfg    configs.Contact
		node   node
		want   sensors.Contact
		reason string
	}{
		{configs.Contact{Is: configs.SenseReservoir}, node{percent: 100}, sensors.Contact{Known: true, Active: true}, ""},
		{configs.Contact{Is: configs.SenseReservoir, ActiveLow: true}, node{percent: 100}, sensors.Contact{Known: true}, ""},
		{configs.Contact{Is: configs.SenseReservoir}, node{percent: 50}, sensors.Contact{}, "neither true nor false"},
		{configs.Contact{Is: configs.SenseMains}, node{err: sensors.Faultf(sensors.TooOld, "old")}, sensors.Contact{}, "old"},
		{configs.Contact{Is: configs.SenseMains}, node{err: sensors.Faultf(sensors.Waiting, "soon")}, sensors.Contact{Waiting: true}, "soon"},
		{configs.Contact{Is: configs.SenseBattery, Low: configs.Charge{Figure: 3.3, Unit: "V"}}, node{percent: 331}, sensors.Contact{Known: true, Value: 3.31}, ""},
		{configs.Contact{Is: configs.SenseBattery, Low: configs.Charge{Figure: 3.3, Unit: "V"}}, node{percent: 330}, sensors.Contact{Known: true, Value: 3.3, Active: true}, ""},
	} {
		c := &watched{cfg: x.cfg, node: &x.node}
		got := c.ask(t.Context())
		if !strings.Contains(got.Why, x.reason) {
			t.Errorf("%s: %+v, want it to say %q", x.cfg.Is, got, x.reason)
		}
		if got.Why = ""; got != x.want {
			t.Errorf("%s, %v: %+v, want %+v", x.cfg.Is, x.node, got, x.want)
		}
	}
}
