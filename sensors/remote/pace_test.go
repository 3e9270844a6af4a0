package remote

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// stamped is a message that says when.
func stamped(celsius float64, when time.Time) Message {
	return Message{Payload: fmt.Appendf(nil, `{"t": %g, "h": 80, "at": %q}`, celsius, when.Format(time.RFC3339))}
}

// doubts checks that a node answers with a value that its clock makes doubted.
func doubts(t *testing.T, n *Node, step string, want sensors.CentiCelsius) {
	t.Helper()
	if s, err := n.Sample(t.Context()); err != nil || s.Temperature != want || s.Doubt != sensors.WrongClock {
		t.Errorf("%s: %v doubted for %q, %v; want %v", step, s.Temperature, s.Doubt, err, want)
	}
}

// wrong is a way in which a node's clock is wrong.
type wrong struct {
	name  string
	says  func(now time.Time) string // the message's member for the time
	alone sensors.Reason             // of a first message
	news  string                     // part of what is told
}

func wrongClocks() []wrong {
	always := func(s string) func(time.Time) string { return func(time.Time) string { return s } }
	off := func(d time.Duration) func(time.Time) string {
		return func(now time.Time) string { return fmt.Sprintf(`"at": %q`, now.Add(d).Format(time.RFC3339)) }
	}
	return []wrong{
		{"since 1970, from its start", func(now time.Time) string {
			return fmt.Sprintf(`"at": %d`, now.Unix()-time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC).Unix())
		}, sensors.WrongClock, "1970-"},
		{"a node that sleeps and starts anew for each value", always(`"at": 3`), sensors.WrongClock, "1970-01-01T00:00:03Z"},
		{"the year 1", always(`"at": "0001-01-01T00:00:00Z"`), sensors.WrongClock, "0001-01-01"},
		{"a zone behind", off(-3 * time.Hour), sensors.TooOld, "3h0m0s behind"},
		{"a zone ahead", off(2 * time.Hour), sensors.WrongClock, "2h0m0s ahead"},
		{"years ahead", off(50 * 365 * 24 * time.Hour), sensors.WrongClock, "ahead"},
		{"ten minutes late", off(-10 * time.Minute), sensors.TooOld, "10m0s behind"},
		{"none yet", always(`"at": null`), sensors.WrongClock, "cannot be read"},
		{"without a zone", always(`"at": "2026-03-01T12:00:00"`), sensors.WrongClock, "which has a zone"},
		{"without the member", always(`"on": 1`), sensors.WrongClock, "cannot be read"},
	}
}

// A live value is not lost to a clock, whatever is wrong with it; once the
// clock is right nothing is doubted.
func TestALiveValueIsNotLostToAWrongClock(t *testing.T) {
	for _, c := range wrongClocks() {
		t.Run(c.name, func(t *testing.T) { synctest.Test(t, c.hidesNothing) })
	}
}

func (c wrong) hidesNothing(t *testing.T) {
	n := newNode(t, node(), nil)
	say := func(celsius float64) string {
		return n.Deliver(Message{Payload: fmt.Appendf(nil, `{"t": %g, "h": 80, %s}`, celsius, c.says(time.Now()))})
	}
	say(30.8)
	gives(t, n, "the first of all", 0, c.alone)
	n.Deliver(timed(24, 0))
	time.Sleep(time.Minute)
	if news := say(30.9); news != "" {
		t.Errorf("told of one message: %s", news)
	}
	gives(t, n, "one message proves nothing", 24_00, sensors.NoReason)
	time.Sleep(time.Minute)
	news := say(31)
	doubts(t, n, "the second", 31_00)
	if !strings.Contains(news, c.news) {
		t.Errorf("told %q", news)
	}
	for i := range 20 {
		time.Sleep(time.Minute)
		if news := say(31.1 + float64(i)/100); news != "" {
			t.Errorf("told again: %s", news)
		}
		doubts(t, n, "on and on", sensors.CelsiusOf(31.1+float64(i)/100))
	}
	time.Sleep(5*time.Minute + time.Second)
	gives(t, n, "what falls silent is silent", 0, sensors.TooOld)
	if news := n.Deliver(timed(25, 0)); news != "it is right again" {
		t.Errorf("told %q", news)
	}
	gives(t, n, "set", 25_00, sensors.NoReason)
}

// A backlog that is sent at last is old, whatever the node's clock says.
func TestABacklogIsNeverLive(t *testing.T) {
	for _, clock := range []time.Duration{0, -3 * time.Hour, 3 * time.Hour, -20000 * 24 * time.Hour} {
		for _, every := range []time.Duration{time.Second, 10 * time.Second, time.Minute} {
			for _, between := range []time.Duration{0, time.Millisecond, every / 2} {
				synctest.Test(t, func(t *testing.T) {
					n := newNode(t, node(), nil)
					step := fmt.Sprintf("clock off by %v, a value each %v sent each %v", clock, every, between)
					say := func(celsius float64, ago time.Duration) { n.Deliver(stamped(celsius, time.Now().Add(clock-ago))) }
					for range 10 {
						say(24, 0)
						time.Sleep(time.Minute)
					}
					time.Sleep(2 * time.Hour) // no radio
					age, i := 2*time.Hour, 0
					for ; age > 10*time.Minute && i < 3000; i++ {
						say(31+float64(i)/1000, age)
						if s, err := n.Sample(t.Context()); err == nil {
							t.Fatalf("%s: taken as live after %d: %v, %v old", step, i, s.Temperature, age)
						}
						time.Sleep(between)
						age += between - every
					}
					time.Sleep(time.Minute)
					say(24.5, 0)
					time.Sleep(time.Minute)
					say(24.6, 0)
					if s, err := n.Sample(t.Context()); err != nil || s.Temperature != 24_60 || (s.Doubt != 0) != (clock != 0) {
						t.Errorf("%s: after the backlog: %+v, %v", step, s, err)
					}
				})
			}
		}
	}
}

// Without a clock of our own stamps can be compared with each other only.
func TestABacklogIsNotLiveBeforeOurClockIsSet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNode(t, node(), func() bool { return false })
		for minute := range 60 {
			n.Deliver(timed(31+float64(minute)/100, time.Duration(60-minute)*time.Minute))
			if s, err := n.Sample(t.Context()); err == nil && minute > 0 {
				t.Fatalf("taken as live after %d: %v", minute, s.Temperature)
			}
		}
		for i := range 5 {
			time.Sleep(time.Minute)
			n.Deliver(timed(24+float64(i)/100, 0))
			if i > 0 { // the first one still gains on the last of the backlog
				gives(t, n, "live", sensors.CelsiusOf(24+float64(i)/100), sensors.NoReason)
			}
		}
	})
}

// A backlog between live values ends the belief in the one before it.
func TestABacklogBesideLiveValuesIsNotTaken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNode(t, node(), nil)
		const off = -3 * time.Hour
		for range 2 { // each time it wakes it measures, and sends an old value too
			n.Deliver(stamped(24, time.Now().Add(off)))
			time.Sleep(time.Minute)
		}
		doubts(t, n, "live", 24_00)
		n.Deliver(stamped(31, time.Now().Add(off-time.Hour)))
		doubts(t, n, "an old one behind it", 24_00)
		n.Deliver(stamped(31.1, time.Now().Add(off-59*time.Minute)))
		if s, err := n.Sample(t.Context()); err == nil && s.Temperature != 24_00 {
			t.Errorf("and the next: %v", s.Temperature)
		}
	})
}

// Two stamps alike are one value sent twice.
func TestACopyUnderAWrongClockIsNotTaken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNode(t, node(), nil)
		m := stamped(31, time.Unix(100, 0))
		for range 60 {
			n.Deliver(m)
			if s, err := n.Sample(t.Context()); err == nil {
				t.Fatalf("a node that repeats itself is believed: %v", s.Temperature)
			}
			time.Sleep(10 * time.Second)
		}
		n.Deliver(stamped(24, time.Unix(710, 0)))
		time.Sleep(10 * time.Second)
		next := stamped(24.1, time.Unix(720, 0))
		n.Deliver(next)
		doubts(t, n, "it measures again", 24_10)
		for range 29 {
			time.Sleep(10 * time.Second)
			n.Deliver(next)
		}
		doubts(t, n, "copies do not make it younger", 24_10)
		time.Sleep(11 * time.Second)
		n.Deliver(next)
		gives(t, n, "nor keep it", 0, sensors.TooOld)
	})
}

// What the broker had kept says nothing about now, least of all under a clock
// that is wrong.
func TestARetainedMessageProvesNoPace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNode(t, node(), nil)
		for i, m := range []Message{
			stamped(31, time.Unix(100, 0)), stamped(31.1, time.Unix(160, 0)), stamped(31.2, time.Now().Add(time.Hour)),
			{Payload: []byte(`{"t": 31.3, "h": 80, "at": null}`)},
		} {
			n.Deliver(retained(m))
			if s, err := n.Sample(t.Context()); err == nil {
				t.Errorf("message %d: %v", i, s.Temperature)
			}
			time.Sleep(time.Minute)
		}
		n.Deliver(stamped(31.4, time.Unix(400, 0)))
		gives(t, n, "the first live one", 0, sensors.WrongClock)
	})
}

// Two values that keep their distance, one of them right: what is late is not
// taken for the clock.
func TestALateCopyBesideRightStampsIsLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNode(t, node(), nil)
		for i := range 30 {
			n.Deliver(timed(24+float64(i)/100, 0))
			time.Sleep(30 * time.Second)
			n.Deliver(timed(31+float64(i)/100, time.Hour)) // over a longer way
			gives(t, n, "the right one counts", sensors.CelsiusOf(24+float64(i)/100), sensors.NoReason)
			time.Sleep(30 * time.Second)
		}
	})
}

// From the message to the reading: the judge names the clock, above whatever
// else it doubts.
func TestAWrongClockReachesTheReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNode(t, configs.Probe{ID: "shelf-4", Topic: "nodes/4", TemperaturePointer: "/t", HumidityPointer: "/h", TimePointer: "/at"}, nil)
		j := sensors.NewJudge("shelf-4", Family().Limits)
		for i, celsius := range []float64{24, 24.1, 31} { // a jump
			n.Deliver(stamped(celsius, time.Unix(100+60*int64(i), 0)))
			s, err := n.Sample(t.Context())
			r := j.Read(sensors.Instant{Mono: time.Duration(i+1) * time.Minute}, s, err)
			if i > 0 && (r.Quality != sensors.Suspect || r.Reason != sensors.WrongClock || r.Temperature != sensors.CelsiusOf(celsius) || r.Raw.Doubt != 0) {
				t.Errorf("%+v", r)
			}
			time.Sleep(time.Minute)
		}
	})
}
