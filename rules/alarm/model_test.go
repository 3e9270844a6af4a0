package alarm

import (
	"encoding/json"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"dewline/configs/draws"

	"pgregory.net/rapid"
)

// model is the lifecycle written the slow way: it keeps every sample of the
// process and finds the condition by reading the whole history again, and it
// keeps the states' table as a table.
type model struct {
	spec   Spec
	past   []sample
	state  State
	seq    uint64
	acked  bool // this active period was acknowledged
	ackAt  time.Duration
	endAt  time.Duration
	held   bool
	shelf  time.Duration // end; 0 for none
	once   bool
	began  bool
	out    time.Duration // end; 0 for none
	wanted bool          // suppressed by design
	active bool
}

type sample struct {
	at time.Duration
	in Input
}

// condition replays the history: the process condition and the last moment at
// which it ended. Where the record keeps a time, the model keeps the share of the
// past that was so, of which half is forgotten in each delay.
func (m *model) condition() (active bool, ended time.Duration) {
	share := 0.0
	for i, s := range m.past {
		want, half := Beyond, m.spec.OnDelay
		if active {
			want, half = Back, m.spec.OffDelay
		}
		if i > 0 {
			share = m.follow(share, m.past[i-1], s.at, want, half)
		}
		switch {
		case active && s.in == Beyond, !m.spec.Window && s.in != want:
			share = 0
		case s.in == want && (share > 0.5-1e-7 || half == 0):
			if active {
				ended = s.at
			}
			active, share = !active, 0
		}
	}
	return active, ended
}

func (m *model) follow(share float64, last sample, at time.Duration, want Input, half time.Duration) float64 {
	if !m.spec.Window && last.in != want {
		return 0
	}
	kept := 1.0
	if gap := at - last.at; gap <= m.spec.MaxGap {
		kept = math.Exp2(-gap.Seconds() / half.Seconds())
	}
	if half == 0 || kept == 1 {
		return share
	}
	if last.in == want {
		return 1 - (1-share)*kept
	}
	if share *= kept; share <= 1-math.Exp2(-1./forgotten) {
		return 0
	}
	return share
}

// table[state][active] is where a state that is not put away goes next when
// no person acts. L stands for a latched alarm.
var table = map[State][2]State{
	Norm:       {Norm, Unack},
	Unack:      {RTNUN, Unack},
	Acked:      {Norm, Acked},
	RTNUN:      {RTNUN, Unack},
	LatchUnack: {LatchUnack, Unack},
	LatchAck:   {LatchAck, Unack},
}

var latched = map[State][2]State{Unack: {LatchUnack, Unack}, Acked: {LatchAck, Acked}}

func (m *model) step(now time.Duration, in Input) State {
	if in != Missing {
		m.past = append(m.past, sample{now, in})
	}
	was := m.active
	m.active, m.endAt = m.condition()
	if m.active && !was {
		m.acked, m.held = false, m.spec.Latched
	}
	if m.out > 0 && now >= m.out {
		m.out = 0
	}
	if m.shelf > 0 {
		over := m.once && m.began && !m.active
		m.began = m.began || m.active
		if over || now >= m.shelf {
			m.shelf = 0
		}
	}
	return m.derive(now)
}

func (m *model) derive(now time.Duration) State {
	a := 0
	if m.active {
		a = 1
	}
	switch {
	case m.out > 0:
		return m.set(OutOfService)
	case m.shelf > 0:
		return m.set(Shelved)
	case m.wanted && m.active:
		return m.set(Suppressed)
	}
	switch m.state {
	case OutOfService, Shelved, Suppressed:
		switch {
		case m.active:
			return m.set(Unack)
		case m.held && m.acked:
			return m.set(LatchAck)
		case m.held:
			return m.set(LatchUnack)
		}
		return m.set(Norm)
	case Acked:
		n := len(m.past)
		back := n > 0 && m.past[n-1].in == Back && now-m.past[n-1].at < m.spec.OffDelay // it is on its way to end
		if m.active && !back && m.spec.RealarmAfter > 0 && now >= m.ackAt+m.spec.RealarmAfter {
			return m.set(Unack)
		}
	case RTNUN:
		if !m.active && m.spec.KeepReturned > 0 && now >= m.endAt+m.spec.KeepReturned {
			return m.set(Norm)
		}
	}
	if to, ok := latched[m.state]; ok && m.held {
		return m.set(to[a])
	}
	to := table[m.state][a]
	if to == RTNUN && m.state == Unack && m.spec.KeepReturned < 0 {
		to = Norm
	}
	return m.set(to)
}

func (m *model) set(s State) State {
	if m.state == Norm && s != Norm {
		m.seq++
	}
	if s == Norm {
		m.acked, m.held = false, false
	}
	if s == Unack && m.state != Unack {
		m.acked = false
	}
	m.state = s
	return s
}

func (m *model) ack(now time.Duration) bool {
	to, ok := map[State]State{Unack: Acked, RTNUN: Norm, LatchUnack: LatchAck}[m.state]
	if ok {
		m.set(to)
		m.acked, m.ackAt = to != Norm, now
	}
	return ok
}

// histories is how many random lives the model test compares: a few thousand
// by default, DEWLINE_HISTORIES=100000 for the long run:
//
//	DEWLINE_HISTORIES=100000 go test -run TestRecord_Model ./rules/alarm
func histories(t *testing.T) int {
	n, err := strconv.Atoi(os.Getenv("DEWLINE_HISTORIES"))
	switch {
	case err == nil:
	case os.Getenv("DEWLINE_LONG") != "":
		n = 100_000
	default:
		n = 3000
	}
	t.Logf("%d random histories", n)
	return n
}

func drawSpec(t *rapid.T) Spec {
	minutes := func(name string, most int) time.Duration {
		return time.Duration(rapid.IntRange(0, most).Draw(t, name)) * time.Minute
	}
	return Spec{
		OnDelay: minutes("on", 5), OffDelay: minutes("off", 5), MaxGap: minutes("gap", 4) + time.Minute,
		RealarmAfter: minutes("realarm", 20), MaxShelf: 15 * time.Minute,
		KeepReturned: minutes("keep", 20) - time.Minute,
		Latched:      rapid.Bool().Draw(t, "latched"), Window: rapid.Bool().Draw(t, "window"),
	}
}

// TestRecord_Model compares random lives with the model, with a restart
// (through JSON) after any step, and counts onsets.
func TestRecord_Model(t *testing.T) {
	seen := map[State]int{}
	draws.Checks(t, (histories(t)+99)/100, func(t *rapid.T) { life(t, seen) })
	for s := Norm; s < numStates; s++ {
		if seen[s] == 0 {
			t.Errorf("no history reached %v", s)
		}
	}
}

func life(t *rapid.T, seen map[State]int) {
	spec := drawSpec(t)
	m, r := &model{spec: spec}, &Record{}
	var now time.Duration
	for range rapid.IntRange(1, 60).Draw(t, "steps") {
		now += time.Duration(rapid.IntRange(0, 90).Draw(t, "seconds")) * 2 * time.Second
		before := r.State
		oneStep(t, m, r, now)
		if r.State != m.state || r.Seq != m.seq || r.Active != m.active {
			t.Fatalf("at %v from %v: record %v #%d active %v, model %v #%d active %v", now, before,
				r.State, r.Seq, r.Active, m.state, m.seq, m.active)
		}
		seen[r.State]++
		if rapid.IntRange(0, 5).Draw(t, "restart") == 0 {
			r = reborn(t, r)
			if c := r.Recover(spec, at(now)); c.Changed() || r.Seq != m.seq {
				t.Fatalf("restart at %v: %+v #%d, model %v #%d", now, c, r.Seq, m.state, m.seq)
			}
		}
	}
}

func reborn(t *rapid.T, r *Record) *Record {
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	back := &Record{}
	if err := json.Unmarshal(b, back); err != nil {
		t.Fatal(err)
	}
	return back
}

func oneStep(t *rapid.T, m *model, r *Record, now time.Duration) {
	i := at(now)
	switch op := rapid.IntRange(0, 19).Draw(t, "op"); op {
	case 0, 1:
		_, ok := r.Acknowledge(i)
		same(t, "acknowledge", ok, m.ack(now))
	case 2:
		_, ok := r.Reset()
		want := m.state == LatchUnack || m.state == LatchAck
		if same(t, "reset", ok, want); want {
			m.set(Norm)
		}
	case 3:
		d := time.Duration(rapid.IntRange(0, 16).Draw(t, "shelf")) * time.Minute
		once := rapid.Bool().Draw(t, "once")
		_, ok := r.PutOnShelf(m.spec, i, d, once)
		want := d > 0 && d <= m.spec.MaxShelf && m.out == 0
		if same(t, "shelve", ok, want); want {
			m.shelf, m.once, m.began = now+d, once, once && m.active
			m.derive(now)
		}
	case 4:
		_, ok := r.TakeFromShelf(m.spec, i)
		want := m.shelf > 0
		if same(t, "unshelve", ok, want); want {
			m.shelf = 0
			m.derive(now)
		}
	case 5:
		d := time.Duration(rapid.IntRange(1, 60).Draw(t, "out")) * time.Minute
		r.TakeOut(m.spec, i, Out{Until: i.Wall.Add(d), Mono: now + d})
		m.out, m.shelf = now+d, 0
		m.derive(now)
	case 6:
		_, ok := r.Return(m.spec, i)
		want := m.out > 0
		if same(t, "return", ok, want); want {
			m.out = 0
			m.derive(now)
		}
	case 7:
		m.wanted = rapid.Bool().Draw(t, "suppress")
		r.Suppress = m.wanted
		r.Step(m.spec, i, Missing)
		m.step(now, Missing)
	default:
		in := Input(rapid.IntRange(0, 3).Draw(t, "input"))
		if op > 12 && len(m.past) > 0 { // stay a while, or delays never fill
			in = m.past[len(m.past)-1].in
		}
		c := r.Step(m.spec, i, in)
		if got := m.step(now, in); c.To != got {
			t.Fatalf("step returned %+v, model %v", c, got)
		}
	}
}

func same(t *rapid.T, what string, got, want bool) {
	if got != want {
		t.Fatalf("%s: accepted %v, model %v", what, got, want)
	}
}
