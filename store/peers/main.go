package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"regexp"
	"runtime"
	"strings"
	"time"
)

func main() {
	if asked := os.Getenv("PEERS_JOB"); asked != "" {
		exit(answer(asked, os.Stdout))
	}
	o := options{}
	flag.IntVar(&o.days, "days", 3, "simulated `days` for dewline and Prometheus")
	flag.IntVar(&o.slow, "slow", 0, "`days` for the stores with a row or a key per reading, 0 for the same")
	stores := flag.String("stores", strings.Join(names, ";"), "which `stores`, separated by semicolons; the first is what the others are told by")
	poll := flag.Duration("poll", 10*time.Second, "`time` between two readings of a probe: a whole number of times 10 s that goes into a minute")
	flag.StringVar(&o.memory, "memory", "/dev/shm", "`folder` for the timed runs, best one in memory")
	flag.StringVar(&o.disk, "disk", "/dev/shm", "`folder` for the small file system that bytes written are counted on; without root, one on a real disk")
	flag.StringVar(&o.open, "open", "../../../shared/data", "`folder` with the open data; left out where it is missing")
	sizes := flag.String("kinds", "", "only the sizes of the kinds of data that this `pattern` is in, \".\" for all, beside their bounds and Prometheus")
	flag.Parse()
	o.stores = strings.Split(*stores, ";")
	if o.kind.Poll = poll.Milliseconds(); o.kind.Poll < stepMillis || batchMillis%o.kind.Poll != 0 {
		exit(fmt.Errorf("-poll %v: give 10s, 20s, 30s or 1m", *poll))
	}
	if *sizes != "" {
		pattern, err := regexp.Compile(*sizes)
		if err != nil {
			exit(fmt.Errorf("-kinds: %w", err))
		}
		exit(kindTable(o, pattern, os.Stdout))
	}
	exit(compare(o, os.Stdout))
}

func exit(err error) {
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

type options struct {
	days, slow         int
	kind               kind
	memory, disk, open string
	stores             []string
}

// daysOf is how long a store is filled for.
func (o options) daysOf(store string) int {
	if o.slow > 0 && (store == "sqlite" || store == "bbolt, per key") {
		return min(o.slow, o.days)
	}
	return o.days
}

// A row is what one store has in the table.
type row struct {
	name       string
	days       int
	held, wear result
}

// compare measures all stores and writes the tables.
func compare(o options, w io.Writer) error {
	began := time.Now()
	var rows []row
	for _, name := range o.stores {
		r := row{name: name, days: o.daysOf(name)}
		var err error
		if r.held, err = child(job{Store: name, Dir: o.memory, Days: r.days, Kind: o.kind}); err != nil {
			return err
		}
		if r.wear, err = child(job{Store: name, Dir: o.disk, Days: 1, Kind: o.kind, Wear: true}); err != nil {
			return err
		}
		fmt.Fprintf(os.Stderr, "%s done after %v\n", name, time.Since(began).Round(time.Second))
		rows = append(rows, r)
	}
	if err := agree(rows, o.kind); err != nil {
		return err
	}
	fmt.Fprintf(w, "%d probes, a reading every %d s, a batch a minute; %s, %d × %s, %s, took %v.\n",
		probes, o.kind.Poll/1000, time.Now().Format(time.DateOnly), runtime.NumCPU(), runtime.GOARCH, runtime.Version(), time.Since(began).Round(time.Second))
	fmt.Fprintf(w, "Entropy bound of the readings: %.3f bytes a reading.\n\n", bound(room(min(o.days, 3), o.kind), o.kind.Poll))
	writeTable(w, rows)
	return openTable(w, o)
}

// agree makes sure that stores filled for as long answered alike: a fast query
// that returns something else is no faster.
func agree(rows []row, k kind) error {
	for _, a := range rows {
		for _, b := range rows {
			for q, x := range a.held.Sums {
				if y := b.held.Sums[q]; a.days == b.days && !x.near(y) {
					return fmt.Errorf("query %d: %s answers %+v, and %s %+v", q, a.name, x, b.name, y)
				}
			}
		}
		if got := a.held.Sums[0].Rows; got != dayMillis/int(k.Poll) {
			return fmt.Errorf("%s has %d readings of the last day", a.name, got)
		}
	}
	return nil
}

func writeTable(w io.Writer, rows []row) {
	fmt.Fprintln(w, "| store | days | bytes/reading | written, MB/day | written, bytes/reading | syncs/h | ingest, 1000/s | open, ms | open and check, ms | 24 h raw of one, ms | all days by the hour, one, ms | all days by the day, all, ms | peak MiB |")
	fmt.Fprintln(w, "|---|---|---|---|---|---|---|---|---|---|---|---|---|")
	first := rows[0]
	for _, r := range rows {
		n := float64(r.held.Readings)
		scale := float64(r.days) / float64(first.days) // queries over all days grow with them
		cell := func(v, ours float64, format string) string {
			if r.name == first.name {
				return fmt.Sprintf(format, v)
			}
			return fmt.Sprintf(format+" (%.2g×)", v, v/ours)
		}
		fmt.Fprintf(w, "| %s | %d | %s | %s | %s | %.0f | %s | %s | %s | %s | %s | %s | %.0f |\n", r.name, r.days,
			cell(float64(r.held.Bytes)/n, float64(first.held.Bytes)/float64(first.held.Readings), "%.2f"),
			cell(float64(r.wear.Written)/1e6, float64(first.wear.Written)/1e6, "%.1f"),
			cell(float64(r.wear.Written)/float64(r.wear.Readings), float64(first.wear.Written)/float64(first.wear.Readings), "%.1f"),
			r.wear.Syncs,
			cell(n/r.held.Ingest.Seconds()/1e3, float64(first.held.Readings)/first.held.Ingest.Seconds()/1e3, "%.0f"),
			cell(ms(r.held.Opening), ms(first.held.Opening), "%.2f"),
			cell(ms(r.held.Opening+r.held.Checking), ms(first.held.Opening), "%.2f"),
			cell(ms(r.held.Raw), ms(first.held.Raw), "%.2f"),
			cell(ms(r.held.Hours), ms(first.held.Hours)*scale, "%.2f"),
			cell(ms(r.held.AllDays), ms(first.held.AllDays)*scale, "%.1f"),
			float64(r.held.PeakKiB)/1024)
	}
	fmt.Fprintln(w)
}

func ms(d time.Duration) float64 { return float64(d) / 1e6 }

// openTable is the size of the open data in each store.
func openTable(w io.Writer, o options) error {
	sets := [...]string{"occupancy", "appliances"}
	head := false
	for _, set := range sets {
		batches, err := openData(o.open, set)
		if errors.Is(err, errNoData) {
			fmt.Fprintf(os.Stderr, "%v; left out\n", err)
			continue
		}
		if err != nil {
			return err
		}
		if !head {
			fmt.Fprintln(w, "| open data | bound | dewline | prometheus | sqlite | bbolt, per key |\n|---|---|---|---|---|---|")
			head = true
		}
		fmt.Fprintf(w, "| %s | %.3f |", set, bound(batches, batchMillis))
		for _, name := range names {
			r, err := child(job{Store: name, Dir: o.memory, Days: 1, Set: set, Open: o.open})
			if err != nil {
				return err
			}
			fmt.Fprintf(w, " %.2f |", float64(r.Bytes)/float64(r.Readings))
		}
		fmt.Fprintln(w)
	}
	return nil
}
