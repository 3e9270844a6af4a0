package main

import (
	"bufio"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"strings"
	"time"

	"dewline/alert"
	"dewline/rules"
	"dewline/sensors"
)

// connectWithin bounds how long a running daemon is waited for.
const connectWithin = 2 * time.Second

// stringList is a flag that may be given several times.
type stringList []string

// String joins the values.
func (l *stringList) String() string { return strings.Join(*l, ",") }

// Set adds one value.
func (l *stringList) Set(v string) error {
	*l = append(*l, v)
	return nil
}

const calibrateSynopsis = "humidity PROBE --salt nacl [--salt k2so4] | temperature PROBE --ice | temperature|humidity PROBE --against OTHER | undo PROBE ID"

const calibrateCautions = `Keep salts away from frogs, food and children, and never use lithium chloride
or nitrates at home. A probe that touched salt kills amphibians: rinse it
outside and let it dry before it goes back. Humidity probes must not be dunked.
`

// runCalibrate guides a keeper through one calibration on the readings of the
// running daemon.
func runCalibrate(ctx context.Context, args []string, std stdio) error {
	fs := newFlags("calibrate", calibrateSynopsis, std)
	cf := addControlFlags(fs)
	var salts stringList
	fs.Var(&salts, "salt", "saturated salt in the jar: mgcl2, nacl, kcl or k2so4; twice for two points")
	ice := fs.Bool("ice", false, "the probe is sealed and in melting ice")
	against := fs.String("against", "", "the `PROBE` beside which it lies")
	note := fs.String("note", "", "a note for the record")
	words, rest := leadingWords(args)
	if err := parse(fs, rest, 0); err != nil {
		return err
	}
	if len(words) == 3 && words[0] == "undo" {
		return undoCalibration(ctx, cf, words[1], words[2], *note, std)
	}
	if len(words) != 2 {
		fs.Usage()
		return usageError{"dewline calibrate: takes " + calibrateSynopsis}
	}
	session, err := newSession(words[0], sensors.ProbeID(words[1]), salts, *ice, sensors.ProbeID(*against))
	if err != nil {
		return usageError{"dewline calibrate: " + err.Error()}
	}
	ctl, err := cf.dial()
	if err != nil {
		return err
	}
	fmt.Fprint(std.out, calibrateCautions)
	probe := sensors.ProbeID(words[1])
	if err := setAside(ctx, ctl, string(probe), *cf.by); err != nil {
		return err
	}
	defer func() {
		back := alert.Command{Action: string(rules.ReturnToService), Subject: string(probe), By: *cf.by, Why: "calibration over"}
		if err := ctl.post(context.WithoutCancel(ctx), "command", back, nil); err != nil {
			fmt.Fprintf(std.err, "put %s back into service by hand: dewline in-service %s (%v)\n", probe, probe, err)
		}
	}()
	if err := calibrationRun(ctx, ctl, session, probe, sensors.ProbeID(*against), std); err != nil {
		return err
	}
	c, err := session.Result(rand.Text()[:12], *cf.by, time.Now())
	if err != nil {
		return fmt.Errorf("calibrate %s: %w", probe, err)
	}
	c.Note = *note
	if err := ctl.post(ctx, "calibrations", c, nil); err != nil {
		return err
	}
	fmt.Fprintf(std.out, "%s of %s: gain %.4f, offset %+.2f, ± %.2f; in force from now as record %s\n",
		c.Quantity, probe, c.Gain, c.Offset, c.Uncertainty, c.ID)
	return nil
}

// leadingWords splits the words before the first flag from the rest, so that
// flags may follow them.
func leadingWords(args []string) (words, rest []string) {
	for i, a := range args {
		if strings.HasPrefix(a, "-") {
			return args[:i], args[i:]
		}
	}
	return args, nil
}

func newSession(quantity string, probe sensors.ProbeID, salts []string, ice bool, against sensors.ProbeID) (*sensors.Session, error) {
	ways := 0
	for _, used := range []bool{len(salts) > 0, ice, against != ""} {
		if used {
			ways++
		}
	}
	switch {
	case ways != 1:
		return nil, errors.New("choose one of --salt, --ice and --against")
	case against != "":
		return sensors.NewTwinSession(probe, against, sensors.Quantity(quantity)), checkQuantity(quantity)
	case ice && quantity == string(sensors.Temperature):
		return sensors.NewIceSession(probe), nil
	case len(salts) > 0 && quantity == string(sensors.Humidity):
		return sensors.NewSaltSession(probe, salts...)
	default:
		return nil, errors.New("salts are for humidity and ice is for temperature")
	}
}

func checkQuantity(q string) error {
	if q != string(sensors.Temperature) && q != string(sensors.Humidity) {
		return fmt.Errorf("%q is neither temperature nor humidity", q)
	}
	return nil
}

// setAside takes the probe out of service, so that the jar raises no alarm.
func setAside(ctx context.Context, ctl *control, probe, by string) error {
	out := alert.Command{Action: string(rules.TakeOut), Subject: probe, By: by, Why: "calibration", Minutes: (72 * time.Hour).Minutes()}
	if err := ctl.post(ctx, "command", out, nil); err != nil {
		return fmt.Errorf("take %s out of service for the calibration: %w", probe, err)
	}
	return nil
}

// calibrationRun feeds live readings to the session until it has every point.
func calibrationRun(ctx context.Context, ctl *control, s *sensors.Session, probe, against sensors.ProbeID, std stdio) error {
	ticker := time.NewTicker(5 * time.Second)
	defer ticker.Stop()
	lastSeen := map[sensors.ProbeID]time.Duration{}
	var lastSaid time.Time
	keys := bufio.NewScanner(std.in)
	for {
		for _, id := range []sensors.ProbeID{against, probe} {
			if id == "" {
				continue
			}
			var r sensors.Reading
			if err := ctl.get(ctx, "probes/"+string(id)+"/reading", &r); err != nil {
				return err
			}
			if r.At.Mono == lastSeen[id] {
				continue
			}
			lastSeen[id] = r.At.Mono
			p := s.Observe(r)
			if p.Waiting != "" && time.Since(lastSaid) >= time.Minute {
				lastSaid = time.Now()
				fmt.Fprintf(std.out, "%s  point %d of %d (%s): %s\n", time.Now().Format("15:04"), p.Point+1, p.Points, p.Source, p.Waiting)
			}
			switch p.Stage {
			case sensors.Done:
				return nil
			case sensors.Captured:
				fmt.Fprintf(std.out, "point %d of %d taken. Put the probe over the next reference and press Enter.\n", p.Point+1, p.Points)
				if !keys.Scan() {
					return errors.New("calibration given up: the input ended")
				}
				s.Next()
			}
		}
		select {
		case <-ctx.Done():
			return errors.New("calibration given up: nothing was changed")
		case <-ticker.C:
		}
	}
}

func undoCalibration(ctx context.Context, cf controlFlags, probe, id, note string, std stdio) error {
	ctl, err := cf.dial()
	if err != nil {
		return err
	}
	now := time.Now()
	c := sensors.Correction{ID: rand.Text()[:12], Probe: sensors.ProbeID(probe), Made: now, From: now, By: *cf.by, Note: note, Undoes: id}
	if err := ctl.post(ctx, "calibrations", c, nil); err != nil {
		return err
	}
	fmt.Fprintf(std.out, "record %s is undone by record %s\n", id, c.ID)
	return nil
}
