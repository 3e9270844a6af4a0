package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"text/tabwriter"
	"time"

	"dewline/cmd/dewline/daemon"
	"dewline/configs"
	"dewline/sensors"
)

// checkReadings is how often check --probes reads each probe.
const checkReadings = 3

// checkProbes reads every configured probe some times and prints what came.
func checkProbes(ctx context.Context, cfg *configs.Config, std stdio) error {
	if running(cfg) {
		return errors.New("dewline is running and owns the buses: stop it first, or see dewline alarms and the page for its probes")
	}
	buses, err := daemon.Samplers(cfg, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	w := tabwriter.NewWriter(std.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "probe\ttemperature\t±\thumidity\t±\tspread\ttime\tfaults")
	failed, all := 0, 0
	for _, bus := range buses {
		for _, p := range bus.Probes {
			line, ok := readProbe(ctx, p)
			fmt.Fprintln(w, line)
			all++
			if !ok {
				failed++
			}
		}
	}
	if err := w.Flush(); err != nil {
		return fmt.Errorf("print the readings: %w", err)
	}
	for _, p := range cfg.Probes {
		if p.Family == "remote" {
			fmt.Fprintf(std.out, "%s: a remote node, read only while dewline runs\n", p.ID)
		}
	}
	if failed > 0 {
		return fmt.Errorf("%d of %d probes did not deliver", failed, all)
	}
	return nil
}

// readProbe reads one probe and returns its line of the table, and whether
// every reading was good.
func readProbe(ctx context.Context, p sensors.BusProbe) (string, bool) {
	judge := sensors.NewJudge(p.ID, p.Family)
	var temps, hums []float64
	var longest time.Duration
	var last sensors.Reading
	faults := ""
	for i := range checkReadings {
		budget := p.Budget
		if budget == 0 {
			budget = sensors.DefaultBudget
		}
		began := time.Now()
		readCtx, cancel := context.WithTimeout(ctx, budget)
		s, err := p.Sampler.Sample(readCtx)
		cancel()
		longest = max(longest, time.Since(began))
		r := judge.Read(sensors.Instant{Mono: time.Duration(i+1) * time.Second, Wall: began}, s, err)
		if r.Quality != sensors.Good {
			faults += fmt.Sprintf("%s: %v; ", r.Reason, err)
			continue
		}
		last = r
		if r.Has&sensors.HasTemperature != 0 {
			temps = append(temps, r.Temperature.Celsius())
		}
		if r.Has&sensors.HasHumidity != 0 {
			hums = append(hums, r.Humidity.Percent())
		}
	}
	t, h, spread := "-", "-", ""
	if len(temps) > 0 {
		t = fmt.Sprintf("%.2f °C\t%.2f", temps[len(temps)-1], last.Uncertainty.Temperature.Celsius())
		spread = fmt.Sprintf("%.2f °C", slices.Max(temps)-slices.Min(temps))
	} else {
		t += "\t"
	}
	if len(hums) > 0 {
		h = fmt.Sprintf("%.2f %%\t−%.1f +%.1f", hums[len(hums)-1], last.Uncertainty.HumidityBelow.Percent(), last.Uncertainty.HumidityAbove.Percent())
		spread += fmt.Sprintf(" %.2f %%", slices.Max(hums)-slices.Min(hums))
	} else {
		h += "\t"
	}
	return fmt.Sprintf("%s\t%s\t%s\t%s\t%d ms\t%s", p.ID, t, h, spread, longest.Milliseconds(), faults), faults == ""
}
