package remote

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// timed is a message stamped ago before now.
func timed(t float64, ago time.Duration) Message {
	return Message{Payload: fmt.Appendf(nil, `{"t": %g, "h": 80, "at": %q}`, t, time.Now().Add(-ago).Format(time.RFC3339))}
}

func retained(m Message) Message { m.Retained = true; return m }

func newNode(t *testing.T, p configs.Probe, synced func() bool) *Node {
	t.Helper()
	n, err := NewNode(p, synced)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// untimed is a node that sends no time.
func untimed() configs.Probe {
	p := node()
	p.TimePointer = ""
	return p
}

// gives checks what a node answers now, without a doubt.
func gives(t *testing.T, n *Node, step string, want sensors.CentiCelsius, reason sensors.Reason) {
	t.Helper()
	s, err := n.Sample(t.Context())
	if sensors.ReasonOf(err) != reason || s.Temperature != want || (err != nil && s.Has != 0) || s.Doubt != sensors.NoReason {
		t.Errorf("%s: %v, %v; want %v, %q", step, s.Temperature, err, want, reason)
	}
	if err != nil && !strings.Contains(err.Error(), "probe shelf-4 on topic nodes/4") {
		t.Errorf("%s: %v does not say where", step, err)
	}
}

func TestANodeWithoutTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNode(t, untimed(), nil)
		live := Message{Payload: []byte(`{"t": 24, "h": 80}`)}
		gives(t, n, "nothing yet", 0, sensors.Waiting)
		n.Deliver(retained(live))
		gives(t, n, "kept by the broker for who knows how long", 0, sensors.Waiting)
		n.Deliver(live)
		gives(t, n, "live", 24_00, sensors.NoReason)
		n.Deliver(retained(Message{Payload: []byte(`{"t": 19, "h": 80}`)}))
		gives(t, n, "a kept one never replaces a live one", 24_00, sensors.NoReason)
		time.Sleep(5 * time.Minute)
		gives(t, n, "at the limit", 24_00, sensors.NoReason)
		time.Sleep(time.Second)
		gives(t, n, "past the limit", 0, sensors.TooOld)
	})
}

// A sound node may have spoken just before dewline began to listen.
func TestSilenceBeginsAtTheAgeLimit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		silent, kept, old, junk := newNode(t, untimed(), nil), newNode(t, untimed(), nil), newNode(t, node(), nil), newNode(t, untimed(), nil)
		kept.Deliver(retained(Message{Payload: []byte(`{"t": 24, "h": 80}`)}))
		old.Deliver(retained(timed(24, time.Hour)))
		junk.Deliver(Message{Payload: []byte("node rebooting")})
		gives(t, old, "its last value is an hour old", 0, sensors.TooOld)
		gives(t, junk, "a message that says nothing", 0, sensors.Malformed)
		time.Sleep(5 * time.Minute)
		gives(t, silent, "at the limit", 0, sensors.Waiting)
		gives(t, kept, "at the limit, with a value of long ago", 0, sensors.Waiting)
		time.Sleep(time.Second)
		gives(t, silent, "past the limit", 0, sensors.TooOld)
		gives(t, kept, "past the limit, with a value of long ago", 0, sensors.TooOld)
	})
}

func TestANodeWithTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNode(t, node(), nil)
		n.Deliver(retained(timed(20, 4*time.Minute)))
		gives(t, n, "kept, and young enough", 20_00, sensors.NoReason)
		time.Sleep(time.Minute + time.Second)
		gives(t, n, "its own age counts", 0, sensors.TooOld)
		n.Deliver(timed(21, 0))
		gives(t, n, "live", 21_00, sensors.NoReason)
		n.Deliver(timed(22, time.Minute))
		gives(t, n, "an older one that arrives later", 21_00, sensors.NoReason)
		n.Deliver(retained(timed(23, 48*time.Hour)))
		gives(t, n, "an old one on a new subscription", 21_00, sensors.NoReason)
		n.Deliver(timed(24, -30*time.Second))
		gives(t, n, "a clock a little ahead", 24_00, sensors.NoReason)
	})
}

func TestANodeThatRepeatsItselfGrowsOld(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNode(t, node(), nil)
		frozen := timed(24, 0)
		for range 30 {
			n.Deliver(frozen)
			time.Sleep(10 * time.Second)
		}
		gives(t, n, "after five minutes", 24_00, sensors.NoReason)
		time.Sleep(2 * time.Second)
		n.Deliver(frozen)
		gives(t, n, "and past them", 0, sensors.TooOld)
	})
}

func TestAWrongClockIsNamed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, c := range []struct {
			name string
			m    Message
			want sensors.Reason
		}{
			{"ahead", timed(24, -2*time.Minute), sensors.WrongClock},
			{"never set", Message{Payload: []byte(`{"t": 24, "h": 80, "at": 12}`)}, sensors.WrongClock},
			{"kept for two days", retained(timed(24, 48*time.Hour)), sensors.TooOld},
			{"an hour late", timed(24, time.Hour), sensors.TooOld},
		} {
			n := newNode(t, node(), nil)
			n.Deliver(c.m)
			gives(t, n, c.name, 0, c.want)
		}
	})
}

// The board itself may not know the time; then no node can be called wrong.
func TestWithoutAClockOfOurOwn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		synced := false
		n := newNode(t, node(), func() bool { return synced })
		n.Deliver(retained(timed(23, 0)))
		gives(t, n, "kept", 0, sensors.Waiting)
		n.Deliver(timed(24, -1000*time.Hour))
		gives(t, n, "live, from what looks like the future", 24_00, sensors.NoReason)
		frozen := timed(24.5, 0)
		for range 40 {
			n.Deliver(frozen)
			time.Sleep(10 * time.Second)
		}
		gives(t, n, "a node that repeats itself grows old all the same", 0, sensors.TooOld)
		synced = true
		n.Deliver(timed(25, 0))
		gives(t, n, "once our clock is set", 25_00, sensors.NoReason)
	})
}

// One message is one measurement, however often it is asked for.
func TestAValueAskedForTwiceIsThereAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNode(t, node(), nil)
		for i, again := range []bool{false, true, true, false, true} {
			if i%3 == 0 {
				n.Deliver(timed(24, 0))
			}
			if s, err := n.Sample(t.Context()); err != nil || s.Again != again {
				t.Errorf("sample %d: again %v, %v", i, s.Again, err)
			}
			time.Sleep(10 * time.Second)
		}
	})
}

func TestAMalformedMessageIsNotHiddenByTheValueBefore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNode(t, node(), nil)
		n.Deliver(timed(24, 0))
		n.Deliver(Message{Payload: []byte("node rebooting")})
		gives(t, n, "after junk", 0, sensors.Malformed)
		time.Sleep(time.Second)
		n.Deliver(timed(25, 0))
		gives(t, n, "after the next good one", 25_00, sensors.NoReason)
	})
}

func TestNewNodeRefuses(t *testing.T) {
	for name, change := range map[string]func(*configs.Probe){
		"no topic": func(p *configs.Probe) { p.Topic = "" },
		"too long": func(p *configs.Probe) { p.Topic = strings.Repeat("x", 70000) },
		"zero":     func(p *configs.Probe) { p.Topic = "nodes/\x00" },
		"pointer":  func(p *configs.Probe) { p.TimePointer = "at" },
	} {
		p := node()
		change(&p)
		if _, err := NewNode(p, nil); err == nil || !strings.Contains(err.Error(), "shelf-4") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A node for whose messages nobody listens is not waited for.
func TestUnheard(t *testing.T) {
	n, err := NewNode(configs.Probe{ID: "p", Topic: "nodes/1", TemperaturePointer: "/t"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := n.Sample(t.Context()); sensors.ReasonOf(err) != sensors.Waiting {
		t.Fatalf("before: %v", err)
	}
	n.Unheard(errors.New("no password"))
	if _, err := n.Sample(t.Context()); sensors.ReasonOf(err) != sensors.BusError || !strings.Contains(err.Error(), "probe p on topic nodes/1: nobody listens for it: no password") {
		t.Errorf("%v", err)
	}
}
