package main

import (
	"bufio"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"net/url"
	"time"

	"github.com/spf13/cobra"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/rules"
	"dewline/sensors"
)

const calibrateCautions = `Keep salts away from frogs, food and children, and never use lithium chloride
or nitrates at home. A probe that touched salt kills amphibians: rinse it
outside and let it dry before it goes back. Humidity probes must not be dunked.
`

const calibrateLong = `calibrate humidity PROBE --salt nacl [--salt k2so4]
calibrate temperature PROBE --ice
calibrate temperature|humidity PROBE --against OTHER
calibrate undo PROBE ID

` + calibrateCautions

func calibrateCommand() *cobra.Command {
	c := &cobra.Command{Use: "calibrate QUANTITY PROBE", Short: "guide a calibration on live readings", Long: calibrateLong}
	ctl := addControl(c.Flags())
	salts := c.Flags().StringArray("salt", nil, "saturated `SALT` in the jar: mgcl2, nacl, kcl or k2so4; twice for two points")
	ice := c.Flags().Bool("ice", false, "the probe is sealed and in melting ice")
	against := c.Flags().String("against", "", "the `PROBE` beside which it lies")
	note := c.Flags().String("note", "", "a note for the record")
	return does(c, func(ctx context.Context, words []string, std stdio) error {
		if len(words) == 3 && words[0] == "undo" {
			return undoCalibration(ctx, ctl, words[1], words[2], *note, std)
		}
		if len(words) != 2 {
			return usagef("takes a quantity and a probe, or undo, the probe and the record's id; %s --help shows each way", c.CommandPath())
		}
		g := guide{ctl: ctl, probe: sensors.ProbeID(words[1]), against: sensors.ProbeID(*against), by: ctl.by, note: *note, every: lookEvery, std: std}
		var err error
		if g.session, err = newSession(words[0], g.probe, *salts, *ice, g.against); err != nil {
			return usageError{err}
		}
		return g.run(ctx)
	})
}

type asker interface {
	get(ctx context.Context, path string, v any) error
	post(ctx context.Context, path string, body, v any) error
}

const lookEvery = 5 * time.Second

type guide struct {
	ctl            asker
	session        *sensors.Session
	probe, against sensors.ProbeID
	by, note       string
	every          time.Duration
	std            stdio

	seen map[sensors.ProbeID]time.Duration // running times of the readings that were used
	now  time.Time                         // of the newest, by the daemon's clock
	said time.Time
}

// run puts the probe aside, waits for every point and keeps the correction. A
// calibration that is refused or given up changes nothing.
func (g *guide) run(ctx context.Context) error {
	if err := g.able(ctx); err != nil {
		return err
	}
	fmt.Fprint(g.std.out, calibrateCautions)
	// So that the jar raises no alarm.
	if err := g.service(ctx, rules.TakeOut, "calibration", 72*time.Hour); err != nil {
		return fmt.Errorf("take %s out of service for the calibration: %w", g.probe, err)
	}
	defer func() {
		if err := g.service(context.WithoutCancel(ctx), rules.ReturnToService, "calibration over", 0); err != nil {
			fmt.Fprintf(g.std.err, "put %s back into service by hand: dewline alarm in-service %s (%v)\n", g.probe, g.probe, err)
		}
	}()
	if err := g.collect(ctx); err != nil {
		return err
	}
	c, err := g.session.Result(rand.Text()[:12], g.by, g.now)
	if err != nil {
		return fmt.Errorf("calibrate %s: %w", g.probe, err)
	}
	c.Note = g.note
	if err := g.ctl.post(ctx, "calibrations", c, nil); err != nil {
		return err
	}
	fmt.Fprintf(g.std.out, "%s of %s: gain %.4f, offset %+.2f, ± %.2f; in force from now as record %s\n",
		c.Quantity, g.probe, c.Gain, c.Offset, c.Uncertainty, c.ID)
	return nil
}

// able refuses probes that do not measure the quantity, before anybody waits
// an hour for them. One that fails at the moment may be well soon.
func (g *guide) able(ctx context.Context) error {
	q := g.session.Quantity()
	need := sensors.HasTemperature
	if q == sensors.Humidity {
		need = sensors.HasHumidity
	}
	for _, id := range g.probes() {
		r, _, err := g.reading(ctx, id)
		if err != nil {
			return err
		}
		if r.Quality != sensors.Bad && r.Raw.Has&need == 0 {
			return fmt.Errorf("probe %s measures no %s", id, q)
		}
	}
	return nil
}

// probes are the ones to look at, the reference first.
func (g *guide) probes() []sensors.ProbeID {
	if g.against == "" {
		return []sensors.ProbeID{g.probe}
	}
	return []sensors.ProbeID{g.against, g.probe}
}

// reading asks for the newest reading of a probe and what is doubted of it.
func (g *guide) reading(ctx context.Context, id sensors.ProbeID) (r sensors.Reading, reason string, err error) {
	var doc wire.Reading
	if err := g.ctl.get(ctx, "probes/"+url.PathEscape(string(id))+"/reading", &doc); err != nil {
		return r, "", err
	}
	return doc.Sensors(id), doc.Reason, nil
}

// service takes the probe out of service or puts it back.
func (g *guide) service(ctx context.Context, kind rules.ActionKind, why string, length time.Duration) error {
	c := alert.Command{Action: string(kind), Subject: string(g.probe), By: g.by, Why: why, Minutes: length.Minutes()}
	return g.ctl.post(ctx, "command", c, nil)
}

func (g *guide) collect(ctx context.Context) error {
	g.seen = map[sensors.ProbeID]time.Duration{}
	keys := enters(g.std.in)
	ticker := time.NewTicker(g.every)
	defer ticker.Stop()
	for {
		p, err := g.look(ctx)
		switch {
		case ctx.Err() != nil:
			return errGivenUp
		case err != nil:
			return err
		case p.Stage == sensors.Done:
			return nil
		case p.Stage == sensors.Captured:
			if err := g.moved(ctx, p, keys); err != nil {
				return err
			}
			g.session.Next()
		}
		select {
		case <-ctx.Done():
			return errGivenUp
		case <-ticker.C:
		}
	}
}

// moved asks for the probe to be put over the next reference and waits for
// Enter. One typed before, in an hour of waiting, is no answer to that.
func (g *guide) moved(ctx context.Context, p sensors.Progress, keys <-chan struct{}) error {
	select {
	case <-keys:
	default:
	}
	fmt.Fprintf(g.std.out, "point %d of %d taken. Put the probe over the next reference and press Enter.\n", p.Point+1, p.Points)
	select {
	case <-ctx.Done():
		return errGivenUp
	case _, more := <-keys:
		if !more {
			return errors.New("calibration given up: the input ended")
		}
	}
	return nil
}

var errGivenUp = errors.New("calibration given up: nothing was changed")

// enters tells that a line was typed since somebody looked, and closes when the
// input ends. It waits for the keyboard beside what else may happen; a read of
// the keyboard ends only with the process.
func enters(in io.Reader) <-chan struct{} {
	c := make(chan struct{}, 1)
	go func() {
		defer close(c)
		for keys := bufio.NewScanner(in); keys.Scan(); {
			select {
			case c <- struct{}{}:
			default:
			}
		}
	}()
	return c
}

// look hands the newest readings to the session; it says what is missing once a minute.
func (g *guide) look(ctx context.Context) (p sensors.Progress, err error) {
	silent := ""
	for _, id := range g.probes() {
		r, reason, err := g.reading(ctx, id)
		if err != nil {
			return p, err
		}
		if r.At.Mono == g.seen[id] {
			continue
		}
		g.seen[id], g.now = r.At.Mono, r.At.Wall
		p = g.session.Observe(r)
		if r.Quality == sensors.Bad {
			silent = fmt.Sprintf("no usable reading of probe %s: %s", id, reason)
		}
	}
	if silent != "" {
		p.Waiting = silent
	}
	if p.Waiting != "" && g.now.Sub(g.said).Abs() >= time.Minute {
		g.said = g.now
		fmt.Fprintf(g.std.out, "%s  point %d of %d (%s): %s\n", g.now.Local().Format("15:04"), p.Point+1, p.Points, p.Source, p.Waiting)
	}
	return p, nil
}

func newSession(quantity string, probe sensors.ProbeID, salts []string, ice bool, against sensors.ProbeID) (*sensors.Session, error) {
	ways := 0
	for _, used := range []bool{len(salts) > 0, ice, against != ""} {
		if used {
			ways++
		}
	}
	switch {
	case quantity != string(sensors.Temperature) && quantity != string(sensors.Humidity):
		return nil, fmt.Errorf("%q is neither temperature nor humidity", quantity)
	case ways != 1:
		return nil, errors.New("choose one of --salt, --ice and --against")
	case against == probe:
		return nil, fmt.Errorf("probe %s cannot be compared with itself", probe)
	case against != "":
		return sensors.NewTwinSession(probe, against, sensors.Quantity(quantity)), nil
	case ice && quantity == string(sensors.Temperature):
		return sensors.NewIceSession(probe), nil
	case len(salts) > 0 && quantity == string(sensors.Humidity):
		return sensors.NewSaltSession(probe, salts...)
	default:
		return nil, errors.New("salts are for humidity and ice is for temperature")
	}
}

func undoCalibration(ctx context.Context, ctl *control, probe, id, note string, std stdio) error {
	now := time.Now()
	c := sensors.Correction{ID: rand.Text()[:12], Probe: sensors.ProbeID(probe), Made: now, From: now, By: ctl.by, Note: note, Undoes: id}
	if err := ctl.post(ctx, "calibrations", c, nil); err != nil {
		return err
	}
	fmt.Fprintf(std.out, "record %s is undone by record %s\n", id, c.ID)
	return nil
}
