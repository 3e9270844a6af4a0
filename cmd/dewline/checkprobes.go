package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"dewline/cmd/dewline/daemon"
	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/table"
	"dewline/store"
)

const checkReadings = 3

func checkProbes(ctx context.Context, cfg *configs.Config, std stdio) error {
	if (&control{dir: cfg.Store.Dir}).running() {
		return errors.New("dewline is running and owns the buses: stop it first, or see dewline alarm list and the page for its probes")
	}
	corrections, ageing := probePast(ctx, cfg, std)
	w := tabwriter.NewWriter(std.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "probe\ttemperature\t±\thumidity\t±\tlight\tspread\ttime\tcalibrated\tremarks")
	failed, all := 0, 0
	for _, bus := range daemon.Samplers(cfg, slog.New(slog.DiscardHandler)) {
		for _, p := range bus.Probes {
			c := probeCheck{probe: p, in: corrections.At(p.ID, time.Now())}
			judge := sensors.NewJudge(p.ID, p.Limits)
			judge.Correct(corrections)
			judge.Resume(ageing[p.ID])
			for i := range checkReadings {
				c.read(ctx, judge, time.Duration(i+1)*time.Second)
			}
			fmt.Fprintln(w, c.line())
			all++
			if c.good < checkReadings {
				failed++
			}
		}
	}
	if err := w.Flush(); err != nil {
		return fmt.Errorf("print the readings: %w", err)
	}
	for _, p := range cfg.Probes {
		if f, _ := table.Of(p.Family); f.Sends {
			fmt.Fprintf(std.out, "%s: a remote node, read only while dewline runs\n", p.ID)
		}
	}
	if failed > 0 {
		return fmt.Errorf("%d of %d probes did not deliver %d good readings", failed, all, checkReadings)
	}
	return nil
}

// probePast returns nothing where there is no record that can be read.
func probePast(ctx context.Context, cfg *configs.Config, std stdio) (*sensors.Corrections, map[sensors.ProbeID]sensors.Ageing) {
	if _, err := os.Stat(filepath.Join(cfg.Store.Dir, store.FileName)); errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	var corrections *sensors.Corrections
	var ageing map[sensors.ProbeID]sensors.Ageing
	err := withRecord(ctx, store.Options{Dir: cfg.Store.Dir}, func(st *store.Store) (err error) {
		corrections, ageing, err = daemon.ProbePast(st)
		return err
	})
	if err != nil {
		fmt.Fprintf(std.err, "some or all calibrations are not applied: %v\n", err)
	}
	return corrections, ageing
}

type probeCheck struct {
	probe   sensors.BusProbe
	in      sensors.Applied // calibrations in force
	good    int
	last    sensors.Reading // with values
	temps   []sensors.CentiCelsius
	hums    []sensors.CentiPercent
	longest time.Duration
	remarks []string // each once
	times   []int    // how often
}

func (c *probeCheck) read(ctx context.Context, judge *sensors.Judge, mono time.Duration) {
	began := time.Now()
	ctx, cancel := context.WithTimeout(ctx, c.probe.Budget)
	s, err := c.probe.Sampler.Sample(ctx)
	cancel()
	c.longest = max(c.longest, time.Since(began))
	r := judge.Read(sensors.Instant{Mono: mono, Wall: began}, s, err)
	if r.Quality != sensors.Good {
		c.remark(r, err)
	} else {
		c.good++
	}
	if r.Has == 0 {
		return
	}
	c.last = r
	if r.Has&sensors.HasTemperature != 0 {
		c.temps = append(c.temps, r.Temperature)
	}
	if r.Has&sensors.HasHumidity != 0 {
		c.hums = append(c.hums, r.Humidity)
	}
}

// remark notes what was wrong, with the values where the driver saw no fault.
func (c *probeCheck) remark(r sensors.Reading, err error) {
	text := fmt.Sprintf("%s: %s, %s", r.Reason, r.Raw.Temperature, r.Raw.Humidity)
	if err != nil {
		text = fmt.Sprintf("%s: %v", r.Reason, err)
	}
	if i := slices.Index(c.remarks, text); i >= 0 {
		c.times[i]++
		return
	}
	c.remarks, c.times = append(c.remarks, text), append(c.times, 1)
}

func (c *probeCheck) line() string {
	t, tu, h, hu, light, calibrated := "-", "", "-", "", "-", ""
	var spread []string
	u := c.last.Uncertainty
	if n := len(c.temps); n > 0 {
		t, tu = c.temps[n-1].String(), fmt.Sprintf("%.2f", u.Temperature.Celsius())
		spread = append(spread, (slices.Max(c.temps) - slices.Min(c.temps)).String())
		calibrated = calibratedOn(c.in.Temperature)
	}
	if n := len(c.hums); n > 0 {
		h, hu = c.hums[n-1].String(), fmt.Sprintf("−%.1f +%.1f", u.HumidityBelow.Percent(), u.HumidityAbove.Percent())
		spread = append(spread, (slices.Max(c.hums) - slices.Min(c.hums)).String())
		calibrated = calibratedOn(c.in.Humidity) // the one that ages
	}
	if c.last.Has&sensors.HasLight != 0 {
		light = fmt.Sprintf("%d lx", c.last.LightLux)
	}
	var remarks []string
	for i, text := range c.remarks {
		remarks = append(remarks, fmt.Sprintf("%d × %s", c.times[i], text))
	}
	return strings.Join([]string{
		string(c.probe.ID), t, tu, h, hu, light, strings.Join(spread, " "),
		fmt.Sprintf("%d ms", c.longest.Milliseconds()), calibrated, strings.Join(remarks, "; "),
	}, "\t")
}

func calibratedOn(c *sensors.Correction) string {
	if c == nil {
		return "never"
	}
	return c.From.Local().Format(time.DateOnly)
}
