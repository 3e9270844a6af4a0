package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/sensors"
	"dewline/sensors/trace"
)

// runReplay runs a recorded trace through the judge and the rules and prints
// every alarm transition.
func runReplay(ctx context.Context, args []string, std stdio) error {
	fs := newFlags("replay", "--trace FILE (--config FILE | --species ID [--lights 08:00-20:00] [--mist 08:00,20:00] [--timezone Z])", std)
	file := fs.String("trace", "", "the trace `FILE`, - for standard input")
	config := fs.String("config", "", "the room's configuration `FILE`")
	species := fs.String("species", "", "without a configuration: the species `ID` that every probe's own enclosure holds")
	lights := fs.String("lights", "", "without a configuration: the photoperiod, such as `08:00-20:00`")
	mist := fs.String("mist", "", "without a configuration: misting times, such as `08:00,20:00`")
	timezone := fs.String("timezone", "UTC", "without a configuration: the time `ZONE` of the schedules")
	format := fs.String("format", "text", "text or ndjson")
	keepGoing := fs.Bool("keep-going", false, "report bad lines and go on with the rest")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	r := replay{judges: map[sensors.ProbeID]*sensors.Judge{}, out: bufio.NewWriterSize(std.out, 64<<10), err: std.err, keepGoing: *keepGoing}
	switch {
	case *file == "":
		return usageError{"dewline replay: name the trace with --trace FILE"}
	case (*config == "") == (*species == ""):
		return usageError{"dewline replay: give either --config FILE or --species ID"}
	case *format == "ndjson":
		r.print = r.printJSON
	case *format == "text":
		r.print = r.printText
	default:
		return usageError{fmt.Sprintf("dewline replay: --format is text or ndjson, not %q", *format)}
	}
	in, closeIn, err := openTrace(*file, std)
	if err != nil {
		return err
	}
	defer closeIn()
	if *config != "" {
		if r.cfg, err = configs.Load(*config); err != nil {
			return usageError{err.Error()}
		}
	} else {
		r.oneEach = oneEach{species: *species, lights: *lights, mist: *mist, timezone: *timezone}
		// Finds faults in the flags before the first row is read.
		if r.cfg, err = r.oneEach.config([]sensors.ProbeID{"probe"}); err != nil {
			return err
		}
	}
	err = r.run(ctx, *file, in)
	return errors.Join(err, r.out.Flush())
}

func openTrace(file string, std stdio) (io.Reader, func(), error) {
	if file == "-" {
		return std.in, func() {}, nil
	}
	f, err := os.Open(file)
	if err != nil {
		return nil, nil, fmt.Errorf("open the trace: %w", err)
	}
	return f, func() { _ = f.Close() }, nil
}

// oneEach describes a room in which every probe is an enclosure of its own.
type oneEach struct {
	species, lights, mist, timezone string
}

// config returns the room with these probes. It is written as a configuration
// file and read like any other, so that faults in the flags are found in the
// same way; the ids of a trace, which may be any text, are put in afterwards.
func (o oneEach) config(probes []sensors.ProbeID) (*configs.Config, error) {
	var b bytes.Buffer
	fmt.Fprintf(&b, "[room]\nid = \"replay\"\nname = \"Replay\"\ntimezone = %q\n", o.timezone)
	refs := ""
	if o.lights != "" {
		fmt.Fprintf(&b, "[[lamps]]\nid = \"lights\"\non = %q\n", o.lights)
		refs += "lamps = \"lights\"\n"
	}
	if o.mist != "" {
		times := strings.Split(o.mist, ",")
		for i := range times {
			times[i] = fmt.Sprintf("%q", strings.TrimSpace(times[i]))
		}
		fmt.Fprintf(&b, "[[mist]]\nid = \"mist\"\ntimes = [%s]\n", strings.Join(times, ", "))
		refs += "mist = \"mist\"\n"
	}
	for i := range probes {
		fmt.Fprintf(&b, "[[enclosure]]\nid = \"e%d\"\nname = \"e%d\"\nrack = \"replay\"\nshelf = %d\nslot = %d\nspecies = %q\nstage = \"adult\"\n%s",
			i, i, i/slotsPerShelf+1, i%slotsPerShelf+1, o.species, refs)
		fmt.Fprintf(&b, "[[probe]]\nid = \"p%d\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"e%d\"\n", i, i)
	}
	cfg, err := configs.Decode("replay", b.Bytes())
	if err != nil {
		return nil, usageError{"dewline replay: the flags describe a room with faults:\n" + err.Error()}
	}
	for i, p := range probes {
		cfg.Enclosures[i].ID, cfg.Enclosures[i].Name = string(p), string(p)
		cfg.Probes[i].ID, cfg.Probes[i].Enclosure = string(p), string(p)
	}
	return cfg, nil
}

// slotsPerShelf is how many enclosures stand side by side where nobody says.
const slotsPerShelf = 10

// A replay holds what one run needs.
type replay struct {
	cfg       *configs.Config
	oneEach   oneEach // used where species is set
	out       *bufio.Writer
	err       io.Writer
	print     func(rules.Transition) error
	keepGoing bool

	engine    *rules.Engine
	readEvery time.Duration // how often the trace was read
	badLines  int
	judges    map[sensors.ProbeID]*sensors.Judge
	start     time.Time
	tickAt    time.Time
	last      sensors.Instant
}

// lookAhead is how many rows are read before the first is used, to learn which
// probes there are and how often they were read.
const lookAhead = 4096

// run streams the trace through judge and rules.
func (r *replay) run(ctx context.Context, name string, in io.Reader) error {
	rd, err := trace.NewReader(in, trace.Options{Name: name, Location: r.cfg.Room.Location})
	if err != nil {
		return fmt.Errorf("read the trace: %w", err)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	rows := newReadAhead(ctx, rd)
	var ahead []trace.Row
	ended := false
	for len(ahead) < lookAhead {
		row, err := r.next(ctx, rows)
		if ended = errors.Is(err, io.EOF); ended {
			break
		}
		if err != nil {
			return err
		}
		ahead = append(ahead, row)
	}
	if err := r.begin(ahead); err != nil {
		return err
	}
	for _, row := range ahead {
		if err := r.row(row); err != nil {
			return err
		}
	}
	for !ended {
		row, err := r.next(ctx, rows)
		if ended = errors.Is(err, io.EOF); ended {
			break
		}
		if err == nil {
			err = r.row(row)
		}
		if err != nil {
			return err
		}
	}
	return r.end()
}

// end lets the time after the last row pass and counts the bad lines.
func (r *replay) end() error {
	if err := r.emit(r.engine.Tick(r.last)); err != nil {
		return err
	}
	if r.badLines > 0 {
		return fmt.Errorf("%d lines could not be used", r.badLines)
	}
	return nil
}

// next returns the next usable row.
func (r *replay) next(ctx context.Context, rows *readAhead) (trace.Row, error) {
	for {
		row, err := rows.next(ctx)
		if errors.Is(err, context.Canceled) {
			return row, fmt.Errorf("replay stopped: %w", err)
		}
		var line *trace.LineError
		if errors.As(err, &line) && r.keepGoing {
			r.badLines++
			fmt.Fprintln(r.err, line)
			continue
		}
		return row, err
	}
}

// begin builds the room and the judges from what the first rows show.
func (r *replay) begin(ahead []trace.Row) error {
	var ids []sensors.ProbeID
	lastAt := map[sensors.ProbeID]time.Time{}
	var gaps []time.Duration
	for _, row := range ahead {
		if at, seen := lastAt[row.Probe]; seen {
			gaps = append(gaps, row.Time.Sub(at))
		} else {
			ids = append(ids, row.Probe)
		}
		lastAt[row.Probe] = row.Time
	}
	if r.oneEach.species != "" && len(ids) > 0 {
		cfg, err := r.oneEach.config(ids)
		if err != nil {
			return err
		}
		r.cfg = cfg
	}
	if len(gaps) > 0 {
		slices.Sort(gaps)
		r.readEvery = gaps[len(gaps)/2].Round(time.Second)
	}
	r.fitCadence()
	for _, p := range r.cfg.Probes {
		r.judges[sensors.ProbeID(p.ID)] = r.newJudge(sensors.ProbeID(p.ID), p.Family)
	}
	r.engine = rules.New(r.cfg)
	return nil
}

// fitCadence makes the room's poll at least as long as the trace's: a record
// kept every minute is not silent for want of a reading every ten seconds.
func (r *replay) fitCadence() {
	every := configs.Duration(r.readEvery)
	if every > r.cfg.Room.Poll {
		r.cfg.Room.Poll = every
	}
	r.cfg.Rules.SilentAfter = max(r.cfg.Rules.SilentAfter, 3*r.cfg.Room.Poll)
}

// row moves time on to the row and hands its reading to the rules.
func (r *replay) row(row trace.Row) error {
	now := r.at(row.Time)
	// Time passes in steps of a poll also where the trace has a gap, so that
	// silence is found when it began.
	for step := r.cfg.Room.Poll.D(); r.tickAt.Before(row.Time); r.tickAt = r.tickAt.Add(step) {
		if err := r.emit(r.engine.Tick(r.at(r.tickAt))); err != nil {
			return err
		}
	}
	judge := r.judges[row.Probe]
	if judge == nil {
		if r.oneEach.species == "" {
			return fmt.Errorf("line %d: the configuration has no probe %q", row.Line, row.Probe)
		}
		if err := r.addProbe(row.Probe, now); err != nil {
			return err
		}
		judge = r.judges[row.Probe]
	}
	var missing error
	if row.Has == 0 {
		missing = sensors.Faultf(sensors.BusError, "no value in the trace")
	}
	return r.emit(r.engine.Step(judge.Read(now, row.Sample(), missing)))
}

// newJudge returns a judge for one probe of the trace. A trace says nothing of
// the steps in which its probe counts, so an unchanged value alone proves
// nothing; the rules still compare it with its peers.
func (r *replay) newJudge(id sensors.ProbeID, family string) *sensors.Judge {
	if r.oneEach.species != "" {
		family = ""
	}
	j := sensors.NewJudge(id, family)
	j.FreezeAfter(0)
	return j
}

// addProbe gives a probe that the trace has just shown its own enclosure.
func (r *replay) addProbe(id sensors.ProbeID, now sensors.Instant) error {
	var ids []sensors.ProbeID
	for _, p := range r.cfg.Probes {
		ids = append(ids, sensors.ProbeID(p.ID))
	}
	cfg, err := r.oneEach.config(append(ids, id))
	if err != nil {
		return err
	}
	r.cfg = cfg
	r.fitCadence()
	r.judges[id] = r.newJudge(id, "")
	return r.emit(r.engine.Reconfigure(cfg, now))
}

// at returns the moment of a trace's time: the trace is the clock.
func (r *replay) at(t time.Time) sensors.Instant {
	if r.start.IsZero() {
		r.start, r.tickAt = t, t
	}
	now := sensors.Instant{Mono: t.Sub(r.start), Wall: t, Synced: true}
	if now.Mono > r.last.Mono {
		r.last = now
	}
	return now
}

func (r *replay) emit(ts []rules.Transition) error {
	for _, t := range ts {
		// Updates of an open alarm are no transition.
		if t.From == t.To {
			continue
		}
		if err := r.print(t); err != nil {
			return fmt.Errorf("write the transitions: %w", err)
		}
	}
	return nil
}

func (r *replay) printJSON(t rules.Transition) error {
	b, err := json.Marshal(rules.Describe(t))
	if err != nil {
		return err
	}
	_, err = r.out.Write(append(b, '\n'))
	return err
}

func (r *replay) printText(t rules.Transition) error {
	when := t.At.Wall.In(r.cfg.Room.Location).Format("2006-01-02 15:04:05 MST")
	_, err := fmt.Fprintf(r.out, "%s  %-6s %-16s %-18s %s → %s  %s\n", when, t.Priority, t.Key.Alarm, t.Key.Subject, t.From, t.To, t.Text)
	return err
}
