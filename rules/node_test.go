package rules

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/sensors/remote"
	"dewline/sensors/table"
)

// A wireless node whose clock was never set, from its message to the alarm: the
// heat wakes, the keeper hears once of the clock, and both end by themselves.
func TestNodeClock_HidesNoHeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, rigConfig(t, 3, ""))
		node, err := remote.NewNode(configs.Probe{
			ID: "p1", Topic: "n", TemperaturePointer: "/t", HumidityPointer: "/h", TimePointer: "/at",
		}, nil)
		if err != nil {
			t.Fatal(err)
		}
		judge := table.NewJudge("p1", "remote")
		began, celsius, off := time.Now(), 24.0, time.Duration(0)
		node.Deliver(remote.Message{Retained: true, Payload: []byte(`{"t": 33, "h": 85, "at": 3}`)})
		p1 := r.with("p1", func() *sensors.Reading {
			if passed := time.Since(began); passed%time.Minute == 0 { // it sends once a minute
				node.Deliver(remote.Message{Payload: fmt.Appendf(nil, `{"t": %.2f, "h": %.2f, "at": %d}`,
					celsius+0.01*float64(passed/time.Minute%7), 84+0.01*float64(passed/time.Minute%5), time.Now().Add(-off).Unix())})
			}
			s, err := node.Sample(t.Context())
			x := judge.Read(r.instant(), s, err)
			time.Sleep(poll)
			return &x
		})
		r.run(5*time.Minute, p1)
		off = time.Since(time.Unix(0, 0)) // it starts anew, and finds no time server
		r.run(30*time.Minute, p1)
		r.want(alarm.LethalLimit, "", "")
		r.want(alarm.ProbeSilent, "", "")
		r.want(alarm.ProbeClock, "p1", "NORM>UNACK")
		x := r.last(alarm.ProbeClock)
		if x.Priority != alarm.Today || x.Cause != (alarm.Cause{Kind: alarm.CauseProbe, ID: "p1"}) || !strings.Contains(x.Detail.FirstAction, "Set the node's clock") ||
			!strings.HasPrefix(x.Text, "Probe p1 (litter) in Tank 1") {
			t.Errorf("%s as %s of %v: %s", x.Text, x.Priority, x.Cause, x.Detail.FirstAction)
		}

		celsius = 31
		r.run(2*time.Minute, p1)
		r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
		if x := r.last(alarm.LethalLimit); x.Priority != alarm.Wake || x.Cause.Kind == alarm.CauseProbe {
			t.Errorf("%s of %v: %s", x.Priority, x.Cause, x.Text)
		}
		celsius = 24 // what is doubted ends no alarm
		r.run(30*time.Minute, p1)
		r.want(alarm.LethalLimit, "e1", "NORM>UNACK")

		off = 0 // the keeper sets it
		r.run(10*time.Minute, p1)
		r.want(alarm.LethalLimit, "e1", "NORM>UNACK UNACK>LUNACK")
		r.want(alarm.ProbeClock, "p1", "NORM>UNACK UNACK>RTNUN")
		r.quiet(alarm.LethalLimit, alarm.ProbeClock, alarm.ProbeJump) // no air warms so between two readings
	})
}

// A node that sets its clock some minutes after its start is not worth a word,
// and as little is one that does so again and again.
func TestNodeClock_AShortDoubtIsNotTold(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, ""))
	r.run(time.Minute, r.calm)
	wrong := r.with("p1", func() *sensors.Reading {
		x := r.calm("p1", r.now)
		x.Quality, x.Reason = sensors.Suspect, sensors.WrongClock
		return x
	})
	for range 5 {
		r.run(9*time.Minute, wrong)
		r.run(2*time.Minute, r.calm)
	}
	r.quiet()
	r.run(10*time.Minute+2*poll, wrong)
	r.want(alarm.ProbeClock, "p1", "NORM>UNACK")
	r.run(time.Hour, r.with("p1", func() *sensors.Reading { // nothing is no proof of a clock
		x := r.bad("p1", sensors.TooOld)
		return &x
	}))
	r.want(alarm.ProbeClock, "p1", "NORM>UNACK")
}

// One spike of a node that sends once in five minutes is there for thirty polls,
// and is a single one all the same; the next message confirms it or does not.
func TestLethal_ASpikeAskedForAgainConfirmsNothing(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, ""))
	judge := table.NewJudge("p1", "remote")
	celsius := 24.0
	p1 := r.with("p1", func() *sensors.Reading {
		s := sensors.Sample{
			Has: sensors.HasTemperature | sensors.HasHumidity, Again: r.now%(5*time.Minute) != 0,
			Temperature: sensors.CelsiusOf(celsius + 0.01*float64(r.now/(5*time.Minute)%3)), Humidity: 85_00,
		}
		x := judge.Read(r.instant(), s, nil)
		return &x
	})
	r.run(time.Hour, p1)
	celsius = 33
	r.run(5*time.Minute, p1)
	celsius = 24
	r.run(time.Hour, p1)
	r.quiet()
	celsius = 33
	r.run(10*time.Minute, p1)
	r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
}

// A node that sends once in five minutes has said nothing yet when dewline has
// just started. That is no silence, until it lasts.
func TestSilent_WaitsForTheFirstMessage(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, ""))
	r.run(time.Hour, r.calm)
	says := func(why sensors.Reason) weather {
		return r.with("p1", func() *sensors.Reading {
			x := r.bad("p1", why)
			return &x
		})
	}
	r.reborn()
	r.run(5*time.Minute, says(sensors.Waiting))
	r.quiet()
	r.run(time.Minute, r.calm)
	r.quiet()
	r.reborn()
	r.run(5*time.Minute, says(sensors.Waiting))
	r.run(time.Minute, says(sensors.TooOld))
	r.want(alarm.ProbeSilent, "p1", "NORM>UNACK")
	r.run(5*time.Minute, says(sensors.Waiting)) // a further restart ends nothing
	r.want(alarm.ProbeSilent, "p1", "NORM>UNACK")
}
