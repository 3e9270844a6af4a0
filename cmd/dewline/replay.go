package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"dewline/alert/wire"
	text "dewline/alert/words"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
	"dewline/sensors/table"
	"dewline/sensors/trace"
)

type replayFlags struct {
	file, config, format, state string
	keepGoing, events           bool
	oneEach
}

func replayCommand() *cobra.Command {
	c := &cobra.Command{Use: "replay --trace FILE {--config FILE | --species ID}", Short: "run a recorded trace through the rules", Args: words(0)}
	var f replayFlags
	fs := c.Flags()
	fs.StringVar(&f.file, "trace", "", "the trace `FILE`, - for standard input")
	fs.StringVar(&f.config, "config", "", "the room's configuration `FILE`")
	fs.StringVar(&f.species, "species", "", "without a configuration: the species `ID` that every probe's own enclosure holds")
	fs.StringVar(&f.lights, "lights", "", "without a configuration: the photoperiod, such as `08:00-20:00`")
	fs.StringVar(&f.mist, "mist", "", "without a configuration: misting times, such as `08:00,20:00`")
	fs.StringVar(&f.timezone, "timezone", "UTC", "without a configuration: the time `ZONE` of the schedules")
	fs.StringVar(&f.room, "room-probe", "", "without a configuration: the probe `ID` that hangs in the room, outside all enclosures")
	fs.StringVar(&f.state, "state", "", "go on from what an earlier replay left in `FILE`, as after a restart, and leave it there")
	fs.BoolVar(&f.events, "events", false, "print mists, nights, dry-downs and doses too")
	fs.StringVar(&f.format, "format", "text", "what to print: `text|ndjson`")
	fs.BoolVar(&f.keepGoing, "keep-going", false, "report bad lines and go on with the rest")
	return does(c, func(ctx context.Context, _ []string, std stdio) error {
		if f.config != "" && (fs.Changed("lights") || fs.Changed("mist") || fs.Changed("timezone") || fs.Changed("room-probe")) {
			return usagef("--lights, --mist, --timezone and --room-probe go with --species; a configuration has its own")
		}
		return runReplay(ctx, f, std)
	})
}

func runReplay(ctx context.Context, f replayFlags, std stdio) error {
	r := replay{replayFlags: f, out: bufio.NewWriterSize(std.out, 64<<10), err: std.err, told: map[alarm.Key]alarm.Priority{}}
	switch {
	case f.file == "":
		return usagef("name the trace with --trace FILE")
	case (f.config == "") == (f.species == ""):
		return usagef("give either --config FILE or --species ID")
	case f.format != "ndjson" && f.format != "text":
		return usagef("--format is text or ndjson, not %q", f.format)
	}
	in, closeIn, err := openTrace(f.file, std)
	if err != nil {
		return err
	}
	defer closeIn()
	if f.config != "" {
		if r.cfg, err = table.Load(f.config); err != nil {
			return configError{err}
		}
	} else if r.cfg, err = r.oneEach.config([]sensors.ProbeID{"probe"}); err != nil { // faults in the flags, before the first row is read
		return err
	}
	if f.state != "" {
		if r.before, err = readReplayState(f.state); err != nil {
			return err
		}
	}
	if err = errors.Join(r.run(ctx, in), r.out.Flush()); err != nil || f.state == "" || r.engine == nil {
		return err
	}
	return writeReplayState(f.state, r.engine)
}

func openTrace(file string, std stdio) (io.Reader, func(), error) {
	if file == "-" {
		return std.in, func() {}, nil
	}
	f, err := os.Open(file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil, usagef("there is no file %s; name the trace with --trace", file)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("open the trace: %w", err)
	}
	if info, err := f.Stat(); err == nil && info.IsDir() {
		_ = f.Close()
		return nil, nil, usagef("%s is a directory; name the trace with --trace", file)
	}
	return f, func() { _ = f.Close() }, nil
}

// oneEach describes a room in which every probe is an enclosure of its own.
type oneEach struct {
	species, lights, mist, timezone string
	room                            string                   // the probe outside all; empty for none
	dry                             map[sensors.ProbeID]bool // tell no humidity, and none is missed
}

// config returns the room with these probes. It is written as a configuration
// file and read like any other, so that faults in the flags are found in the
// same way; the ids of a trace, which may be any text, are put in afterwards.
func (o oneEach) config(probes []sensors.ProbeID) (*configs.Config, error) {
	var b strings.Builder
	fmt.Fprintf(&b, "[room]\nid = \"replay\"\nname = \"Replay\"\ntimezone = %q\n", o.timezone)
	fmt.Fprintf(&b, "[[probe]]\nid = \"p\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"e\"\n")
	if o.lights != "" {
		fmt.Fprintf(&b, "[[lamps]]\nid = \"lights\"\non = %q\n", o.lights)
	}
	if o.mist != "" {
		times := strings.Split(o.mist, ",")
		for i := range times {
			times[i] = fmt.Sprintf("%q", strings.TrimSpace(times[i]))
		}
		fmt.Fprintf(&b, "[[mist]]\nid = \"mist\"\ntimes = [%s]\n", strings.Join(times, ", "))
	}
	fmt.Fprintf(&b, "[[enclosure]]\nid = \"e\"\nrack = \"replay\"\nspecies = %q\nstage = \"adult\"\n", o.species)
	if o.lights != "" {
		b.WriteString("lamps = \"lights\"\n")
	}
	if o.mist != "" {
		b.WriteString("mist = \"mist\"\n")
	}
	cfg, err := table.Decode("replay", []byte(b.String()))
	if err != nil {
		return nil, usagef("the flags describe a room with faults:\n%w", err)
	}
	probe, tank := cfg.Probes[0], cfg.Enclosures[0]
	cfg.Probes, cfg.Enclosures = nil, nil
	for i, id := range probes {
		probe.ID, probe.Place, probe.Enclosure, probe.Measures.Humidity = string(id), configs.Litter, string(id), !o.dry[id]
		if probe.ID == o.room {
			probe.Place, probe.Enclosure = configs.InRoom, ""
		} else {
			tank.ID, tank.Name, tank.Shelf, tank.Slot = string(id), string(id), i/slotsPerShelf+1, i%slotsPerShelf+1
			cfg.Enclosures = append(cfg.Enclosures, tank)
		}
		cfg.Probes = append(cfg.Probes, probe)
	}
	if len(cfg.Enclosures) == 0 {
		return nil, usagef("--room-probe %s is the only probe of the trace: no enclosure is left", o.room)
	}
	return cfg, nil
}

// slotsPerShelf is how many enclosures stand side by side where nobody says.
const slotsPerShelf = 10

type replay struct {
	replayFlags // of which a room of one each holds where species is set
	cfg         *configs.Config
	out         *bufio.Writer
	err         io.Writer
	before      *replayState // of an earlier part; nil for none

	told map[alarm.Key]alarm.Priority // as printed last

	engine    *rules.Engine
	readEvery time.Duration // how often the trace was read
	badLines  int
	start     time.Time     // of the trace, which is the clock
	ticked    time.Duration // the next tick, since then
}

// run streams the trace through judge and rules.
func (r *replay) run(ctx context.Context, in io.Reader) error {
	rd, err := trace.NewReader(in, r.file, r.cfg.Room.Location)
	if err != nil {
		return fmt.Errorf("read the trace: %w", err)
	}
	rows := newTraced(rd, r.families(), r.before.resume(r.cfg.Room.Poll.D()))
	some := make([]result, 0, headRows)
	for more := true; more && len(some) < headRows && ctx.Err() == nil; {
		some, more = rows.next(some)
	}
	if err := r.begin(some); err != nil {
		return err
	}
	for err == nil && ctx.Err() == nil {
		for i := 0; err == nil && i < len(some); i++ {
			err = r.take(&some[i])
		}
		if err == nil {
			some, _ = rows.next(some[:0])
		}
	}
	switch {
	case ctx.Err() != nil:
		return fmt.Errorf("replay stopped: %w", context.Cause(ctx))
	case errors.Is(err, io.EOF):
		return r.end(rows.now)
	}
	return err
}

// headRows show which probes there are and how often they were read.
const headRows = 4096

// families tells each probe's family as the configuration names it. A trace
// without one says nothing of what measured it.
func (r *replay) families() func(sensors.ProbeID) string {
	byID := map[sensors.ProbeID]string{}
	if r.oneEach.species == "" {
		for _, p := range r.cfg.Probes {
			byID[sensors.ProbeID(p.ID)] = p.Family
		}
	}
	return func(id sensors.ProbeID) string { return byID[id] }
}

// end lets the time after the last row pass and counts the bad lines.
func (r *replay) end(last sensors.Instant) error {
	if err := r.emit(r.engine.Tick(last)); err != nil {
		return err
	}
	if last.Wall.IsZero() {
		fmt.Fprintf(r.err, "%s: no reading in it: nothing was judged\n", r.file)
	}
	if id := r.oneEach.room; id != "" && !last.Wall.IsZero() && !slices.ContainsFunc(r.cfg.Probes, func(p configs.Probe) bool { return p.ID == string(id) }) {
		fmt.Fprintf(r.err, "%s: no probe %q is in it, which --room-probe names: judged without a room\n", r.file, id)
	}
	if r.badLines > 0 {
		return fmt.Errorf("%s could not be used", configs.Count(r.badLines, "line"))
	}
	return nil
}

// begin builds the room from what the first rows show.
func (r *replay) begin(head []result) error {
	first, ids, gaps := r.survey(head)
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
	r.engine = rules.New(r.cfg)
	r.start, r.ticked = first.Wall.Add(-first.Mono), first.Mono
	if r.before == nil || len(ids) == 0 {
		return nil
	}
	if at := r.before.State.Now.Wall; first.Wall.Before(at) {
		return fmt.Errorf("%s begins at %s, before the end of what --state holds, %s", r.file, first.Wall.Format(time.RFC3339), at.Format(time.RFC3339))
	}
	for _, rec := range r.before.Records {
		r.told[rec.Key] = rec.Priority
	}
	return r.emit(r.engine.Restore(r.before.State, r.before.Records, first))
}

// survey returns when the first rows begin, which probes are in them and how far apart the
// readings of each are, and notes which probes tell no humidity.
func (r *replay) survey(head []result) (first sensors.Instant, ids []sensors.ProbeID, gaps []time.Duration) {
	r.dry = map[sensors.ProbeID]bool{}
	lastAt := map[sensors.ProbeID]time.Duration{}
	for i := range head {
		x := &head[i]
		if x.err != nil {
			continue
		}
		if len(ids) == 0 {
			first = x.reading.At
		}
		id, at := x.reading.Probe, x.reading.At.Mono
		before, seen := lastAt[id]
		r.dry[id] = (!seen || r.dry[id]) && x.reading.Has&sensors.HasHumidity == 0
		if seen {
			gaps = append(gaps, at-before)
		} else {
			ids = append(ids, id)
		}
		lastAt[id] = at
	}
	if r.before != nil && len(ids) > 0 {
		for name, p := range r.before.State.Probes {
			id := sensors.ProbeID(name)
			r.dry[id] = r.dry[id] && !p.HasHum
			if !slices.Contains(ids, id) {
				ids, r.dry[id] = append(ids, id), !p.HasHum
			}
		}
	}
	slices.Sort(ids) // wherever a part begins, each has the same place
	return first, ids, gaps
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

// take returns io.EOF, or what else ended the trace.
func (r *replay) take(x *result) error {
	if x.err != nil {
		return r.bad(x.err)
	}
	if x.reading.At.Mono > r.ticked {
		if err := r.passTo(x.reading.At.Mono); err != nil {
			return err
		}
	}
	if x.first {
		if err := r.meet(x); err != nil {
			return err
		}
	}
	if ts := r.engine.Step(&x.reading); len(ts) > 0 {
		return r.emit(ts)
	}
	return nil
}

func (r *replay) bad(err error) error {
	line, ok := errors.AsType[*trace.LineError](err)
	if !ok {
		return err
	}
	if !r.keepGoing {
		return fmt.Errorf("%w (--keep-going leaves such lines out)", err)
	}
	r.badLines++
	fmt.Fprintln(r.err, line)
	return nil
}

// passTo steps by polls through gaps too, so that silence is found when it began.
func (r *replay) passTo(mono time.Duration) error {
	for step := r.cfg.Room.Poll.D(); r.ticked < mono; r.ticked += step {
		now := sensors.Instant{Mono: r.ticked, Wall: r.start.Add(r.ticked), Synced: true}
		if err := r.emit(r.engine.Tick(now)); err != nil {
			return err
		}
	}
	return nil
}

// meet gives a probe that the head did not show an enclosure of its own too.
func (r *replay) meet(x *result) error {
	id := x.reading.Probe
	var ids []sensors.ProbeID
	for _, p := range r.cfg.Probes {
		if p.ID == string(id) {
			return nil
		}
		ids = append(ids, sensors.ProbeID(p.ID))
	}
	if r.oneEach.species == "" {
		return fmt.Errorf("%s:%d: the configuration has no probe %q", r.file, x.line, id)
	}
	r.dry[id] = x.reading.Has&sensors.HasHumidity == 0
	cfg, err := r.oneEach.config(append(ids, id))
	if err != nil {
		return err
	}
	r.cfg = cfg
	r.fitCadence()
	return r.emit(r.engine.Reconfigure(cfg, x.reading.At))
}

func (r *replay) emit(ts []rules.Transition) error {
	for _, t := range ts {
		// Updates of an open alarm are no transition, but another priority is news.
		if before, ok := r.told[t.Key]; t.From == t.To && (!ok || before == t.Priority) {
			continue
		}
		r.told[t.Key] = t.Priority
		d := wire.TransitionOf(&t)
		err := r.show(t.At, d, fmt.Sprintf("%-6s %-16s %-18s %s → %s  %s",
			t.Priority, t.Key.Alarm, t.Key.Subject, text.State(t.From), text.State(t.To), d.Text))
		if err != nil {
			return fmt.Errorf("write the transitions: %w", err)
		}
	}
	if !r.events {
		return nil
	}
	list := r.engine.Facts() // what the estimators found since
	for i := range list {
		l := list[i].Line()
		err := r.show(list[i].At, wire.JournalEntryOf(&list[i]), fmt.Sprintf("%-6s %-16s %-18s %s", "", l.Kind, l.Subject,
			strings.Join(strings.Fields(l.Old+" → "+l.New+" "+l.Why), " ")))
		if err != nil {
			return fmt.Errorf("write the events: %w", err)
		}
	}
	return nil
}

// show writes a document, or a line of text behind the moment by the room's clock.
func (r *replay) show(at sensors.Instant, document any, line string) error {
	if r.format != "ndjson" {
		_, err := fmt.Fprintf(r.out, "%s  %s\n", at.Wall.In(r.cfg.Room.Location).Format("2006-01-02 15:04:05 MST"), line)
		return err
	}
	b, err := json.Marshal(document)
	if err != nil {
		return err
	}
	_, err = r.out.Write(append(b, '\n'))
	return err
}

// A replayState is what the daemon would find after a restart.
type replayState struct {
	State   *rules.State  `json:"state"`
	Records []room.Record `json:"records"`
}

// resume is the running time at which the next part begins: time off does not run.
func (s *replayState) resume(poll time.Duration) time.Duration {
	if s == nil {
		return 0
	}
	return s.State.Now.Mono + poll
}

// readReplayState returns what the file holds, nil where there is none yet.
func readReplayState(file string) (*replayState, error) {
	b, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the state: %w", err)
	}
	var s replayState
	if err := json.Unmarshal(b, &s); err != nil {
		return nil, fmt.Errorf("%s is no state that a replay left; name a new file with --state", file)
	}
	if s.State == nil || s.State.Version != rules.StateVersion {
		return nil, fmt.Errorf("%s holds no state that this version of dewline wrote; remove it to begin anew", file)
	}
	return &s, nil
}

func writeReplayState(file string, e *rules.Engine) error {
	b, err := json.Marshal(replayState{State: e.State(), Records: e.Records()})
	if err != nil {
		return fmt.Errorf("encode the state: %w", err)
	}
	if err := os.WriteFile(file, append(b, '\n'), 0o600); err != nil {
		return fmt.Errorf("write the state: %w", err)
	}
	return nil
}
