package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/alert/wire"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A probe with a known gain, offset and creep is calibrated over two salts on
// the live readings of a daemon: the truth is recovered within what is stated,
// the jars raise no alarm, and undoing brings the raw value back.
func TestCalibrate_TwoSalts(t *testing.T) {
	b := newBench(t)
	b.jars.misread("p", wrong{gain: 0.97, offset: 1.5, creep: 0.02})
	session, err := sensors.NewSaltSession("p", "nacl", "k2so4")
	if err != nil {
		t.Fatal(err)
	}
	said, seen, err := b.calibrate(session, "", overSalt(t, "nacl"), overSalt(t, "k2so4"))
	if err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	if len(seen.kept) != 1 || strings.Join(seen.actions, " ") != "out-of-service in-service" {
		t.Fatalf("kept %d, did %v", len(seen.kept), seen.actions)
	}
	c := seen.kept[0]
	if math.Abs(c.Gain-0.97) > 0.02 || c.Method != "nacl + k2so4" || c.By != "robin" || c.Note != "spring" || len(c.Points) != 2 {
		t.Errorf("%+v", c)
	}
	for _, want := range []string{"Keep salts away", "point 1 of 2 (nacl): collecting", "point 1 of 2 taken", fmt.Sprintf("gain %.4f", c.Gain), "record " + c.ID} {
		if !strings.Contains(said, want) {
			t.Errorf("the guide does not say %q:\n%s", want, said)
		}
	}
	for _, x := range b.others("p") {
		t.Errorf("%v %v>%v: %s", x.Key, x.From, x.To, x.Detail.Is.ID)
	}
	b.settled(func(r sensors.Reading) bool {
		truth := b.jars.really("p").percent
		return math.Abs(truth-inTheTank.percent) < 0.3 && r.Quality == sensors.Good && math.Abs(r.Humidity.Percent()-truth) <= c.Uncertainty+0.3
	}, "the corrected humidity is the true one within %.2f %%", c.Uncertainty)

	code, out, problem := runDewline(t, "calibrate", "undo", "p", c.ID, "--control", b.socket, "--by", "robin")
	if code != exitOK || !strings.Contains(out, c.ID+" is undone") {
		t.Fatalf("undo: %d %s%s", code, out, problem)
	}
	b.settled(func(r sensors.Reading) bool { return r.Humidity == r.Raw.Humidity }, "undone, the raw value shows")
	code, _, problem = runDewline(t, "calibrate", "undo", "p", "no-such-record", "--control", b.socket, "--by", "robin")
	if code == exitOK || !strings.Contains(problem, "not on record") {
		t.Errorf("undoing nothing: %d %q", code, problem)
	}
}

// settled waits for a reading of p that is as wanted.
func (b *bench) settled(want func(sensors.Reading) bool, what string, args ...any) {
	b.t.Helper()
	eventually(b.t, fmt.Sprintf(what, args...), func() bool { return want(b.latest("p")) })
}

func TestCalibrate_Temperature(t *testing.T) {
	t.Run("ice", func(t *testing.T) {
		b := newBench(t)
		b.jars.misread("p", wrong{gain: 1, celsius: 0.6})
		said, seen, err := b.calibrate(sensors.NewIceSession("p"), "", place{0, 95})
		if err != nil || len(seen.kept) != 1 {
			t.Fatalf("%v\n%s", err, said)
		}
		if c := seen.kept[0]; math.Abs(c.Offset+0.6) > c.Uncertainty || c.Uncertainty > 0.3 {
			t.Errorf("%+v", c)
		}
		for _, x := range b.others("p") { // ice is no cold tank
			t.Errorf("%v %v>%v: %s", x.Key, x.From, x.To, x.Detail.Is.ID)
		}
	})
	t.Run("against a twin", func(t *testing.T) {
		b := newBench(t)
		b.jars.misread("p", wrong{gain: 1, celsius: -0.5})
		said, seen, err := b.calibrate(sensors.NewTwinSession("p", "twin", sensors.Temperature), "twin", inTheTank)
		if err != nil || len(seen.kept) != 1 {
			t.Fatalf("%v\n%s", err, said)
		}
		if c := seen.kept[0]; math.Abs(c.Offset-0.5) > c.Uncertainty || c.Method != "against twin" {
			t.Errorf("%+v", c)
		}
	})
}

// What no sound probe can need is refused with the reason; nothing is kept and
// the probe is in service again.
func TestCalibrate_Refusals(t *testing.T) {
	for _, c := range []struct {
		wrong wrong
		salts []string
		want  string
	}{
		{wrong{gain: 1.2}, []string{"nacl", "k2so4"}, "is outside 0.9 to 1.1"},
		{wrong{gain: 1, offset: 13}, []string{"nacl"}, "is more than 10 %RH"},
	} {
		t.Run(c.want, func(t *testing.T) {
			t.Parallel()
			b := newBench(t)
			b.jars.misread("p", c.wrong)
			session, err := sensors.NewSaltSession("p", c.salts...)
			if err != nil {
				t.Fatal(err)
			}
			var places []place
			for _, s := range c.salts {
				places = append(places, overSalt(t, s))
			}
			said, seen, err := b.calibrate(session, "", places...)
			if !errors.Is(err, sensors.ErrRefused) || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v\n%s", err, said)
			}
			if len(seen.kept) != 0 || strings.Join(seen.actions, " ") != "out-of-service in-service" {
				t.Errorf("kept %d, did %v", len(seen.kept), seen.actions)
			}
			if r := b.latest("p"); r.Humidity != r.Raw.Humidity {
				t.Errorf("corrected all the same: %+v", r)
			}
			b.serves("p")
		})
	}
}

// serves waits until no alarm of the probe is out of service, as the snapshot
// that everybody looks at is a second old.
func (b *bench) serves(id string) {
	b.t.Helper()
	eventually(b.t, id+" is in service again", func() bool {
		var open []wire.Alarm
		if err := b.get("alarms", &open); err != nil {
			return false
		}
		return !slices.ContainsFunc(open, func(a wire.Alarm) bool { return a.Subject == id && a.State == alarm.OutOfService })
	})
}

// Given up, the probe comes back into service and nothing was changed.
func TestCalibrate_GivenUp(t *testing.T) {
	b := newBench(t)
	session, err := sensors.NewSaltSession("p", "nacl", "k2so4")
	if err != nil {
		t.Fatal(err)
	}
	g := guide{
		ctl: &control{socket: b.socket}, session: session, probe: "p", by: "robin", every: time.Millisecond,
		std: stdio{in: strings.NewReader(""), out: &screen{}, err: &screen{}},
	}
	b.jars.move("p", overSalt(t, "nacl"))
	if err := g.run(t.Context()); err == nil || !strings.Contains(err.Error(), "given up: the input ended") {
		t.Errorf("%v", err)
	}
	b.serves("p")
}

// An interrupt ends the guide also while it waits for Enter.
func TestCalibrate_InterruptedAtThePrompt(t *testing.T) {
	b := newBench(t)
	session, err := sensors.NewSaltSession("p", "nacl", "k2so4")
	if err != nil {
		t.Fatal(err)
	}
	ctx, interrupt := context.WithCancel(t.Context())
	in, keys := io.Pipe() // nobody types
	defer keys.Close()
	g := guide{
		ctl: &control{socket: b.socket}, session: session, probe: "p", by: "robin", every: time.Millisecond,
		std: stdio{in: in, out: prompted{interrupt}, err: &screen{}},
	}
	b.jars.move("p", overSalt(t, "nacl"))
	ended := make(chan error, 1)
	go func() { ended <- g.run(ctx) }()
	select {
	case err := <-ended:
		if !errors.Is(err, errGivenUp) {
			t.Errorf("%v", err)
		}
	case <-time.After(patience):
		t.Fatal("the guide does not end")
	}
	b.serves("p")
}

// An Enter that was typed before the prompt does not say that the probe was
// moved: the second point would be taken in the first jar.
func TestCalibrate_EnterBeforeThePrompt(t *testing.T) {
	keys := make(chan struct{}, 1)
	keys <- struct{}{}
	close(keys) // and nothing is typed afterwards
	g := guide{std: stdio{out: io.Discard}}
	if err := g.moved(t.Context(), sensors.Progress{Points: 2}, keys); err == nil || !strings.Contains(err.Error(), "the input ended") {
		t.Errorf("%v", err)
	}
}

// prompted interrupts when it is asked for Enter.
type prompted struct{ interrupt func() }

func (p prompted) Write(b []byte) (int, error) {
	if bytes.Contains(b, []byte("press Enter")) {
		p.interrupt()
	}
	return len(b), nil
}

// Nobody waits an hour for what a probe cannot tell, and why one does not
// deliver is said.
func TestCalibrate_ProbesThatDoNotTell(t *testing.T) {
	b := newBench(t)
	b.jars.mu.Lock()
	b.jars.dry["p"] = true
	b.jars.dead["twin"] = sensors.Faultf(sensors.BadCRC, "noise")
	b.jars.mu.Unlock()
	b.settled(func(r sensors.Reading) bool { return r.Has == sensors.HasTemperature }, "no humidity")
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"humidity", "p", "--salt", "nacl"}, "probe p measures no humidity"},
		{[]string{"temperature", "nobody", "--ice"}, `no reading of a probe "nobody"`},
	} {
		code, out, problem := runDewline(t, append([]string{"calibrate"}, append(c.args, "--control", b.socket)...)...)
		if code != exitFailed || !strings.Contains(problem, c.want) || out != "" {
			t.Errorf("%v: %d %q %q", c.args, code, problem, out)
		}
	}
	said := &screen{}
	ctx, giveUp := context.WithCancel(t.Context())
	g := guide{
		ctl: &control{socket: b.socket}, session: sensors.NewTwinSession("p", "twin", sensors.Temperature), probe: "p", against: "twin",
		by: "robin", every: time.Millisecond, std: stdio{in: strings.NewReader(""), out: said, err: said},
	}
	ended := make(chan error, 1)
	go func() { ended <- g.run(ctx) }()
	eventually(t, "the guide says why the twin does not deliver", func() bool {
		return strings.Contains(said.String(), "no usable reading of probe twin: bad-crc")
	})
	giveUp()
	if err := <-ended; !errors.Is(err, errGivenUp) {
		t.Error(err)
	}
	b.serves("p")
}

// A record dated back makes the sums of the past again; the raw values stay.
func TestCalibrate_HistoryIsMadeAgain(t *testing.T) {
	b := newBench(t)
	start := b.latest("p").At.Wall
	eventually(t, "two hours passed", func() bool { return b.latest("p").At.Wall.Sub(start) > 2*time.Hour })
	// A sum over a month is answered from the ten-minute sums.
	span := "history?probe=p&from=" + start.AddDate(0, -1, 0).Format(time.RFC3339) + "&to=" + start.Add(time.Hour).Format(time.RFC3339)
	type row struct {
		Humidity *float64 `json:"humidity_pct"`
	}
	mean := func() float64 {
		var rows []row
		if err := b.get(span, &rows); err != nil {
			t.Fatal(err)
		}
		sum, n := 0.0, 0.0
		for _, r := range rows {
			if r.Humidity != nil {
				sum, n = sum+*r.Humidity, n+1
			}
		}
		return sum / n
	}
	before := mean()
	c := sensors.Correction{
		ID: "back", Probe: "p", Quantity: sensors.Humidity, Made: b.latest("p").At.Wall, From: start.Add(-time.Hour), Gain: 1, Offset: -4, Uncertainty: 1, By: "robin",
	}
	if err := (&control{socket: b.socket}).post(t.Context(), "calibrations", c, nil); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the sums of the past were made again", func() bool { return math.Abs(mean()-(before-4)) < 0.1 })
	code, out, problem := runDewline(t, "calibrate", "undo", "p", "back", "--control", b.socket, "--by", "robin")
	if code != exitOK {
		t.Fatalf("%d %s%s", code, out, problem)
	}
	eventually(t, "and again when it was undone", func() bool { return math.Abs(mean()-before) < 0.1 })
}

func TestCalibrate_WrongWords(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"humidity", "p"}, "choose one of --salt, --ice and --against"},
		{[]string{"humidity", "p", "--ice"}, "salts are for humidity and ice is for temperature"},
		{[]string{"temperature", "p", "--salt", "nacl"}, "salts are for humidity and ice is for temperature"},
		{[]string{"humidity", "p", "--salt", "pepper"}, "pepper"},
		{[]string{"pressure", "p", "--against", "q"}, "neither temperature nor humidity"},
		{[]string{"humidty", "p", "--salt", "nacl"}, `"humidty" is neither temperature nor humidity`},
		{[]string{"temperature", "p", "--against", "p"}, "cannot be compared with itself"},
		{[]string{"humidity"}, "takes"},
	} {
		code, _, problem := runDewline(t, append([]string{"calibrate"}, c.args...)...)
		if code != exitUsage || !strings.Contains(problem, c.want) {
			t.Errorf("%v: %d %q", c.args, code, problem)
		}
	}
	code, _, problem := runDewline(t, "calibrate", "temperature", "p", "--ice", "--control", t.TempDir()+"/none")
	if code == exitOK || !strings.Contains(problem, "no running dewline") {
		t.Errorf("%d %q", code, problem)
	}
}
