package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"dewline/alert"
	"dewline/alert/mqtt"
	"dewline/configs"
	"dewline/rules"
	"dewline/sensors"
	"dewline/store"
)

// recordWait is how long an answer waits for its entry to be on the disk.
const recordWait = 3 * time.Second

// Command carries out what a person asks through a channel, the page or the
// control socket. Form and token were checked by the caller.
func (d *Daemon) Command(ctx context.Context, c alert.Command) alert.Reply {
	if err := d.command(ctx, c); err != nil {
		return alert.Reply{ID: c.ID, Error: err.Error()}
	}
	return alert.Reply{ID: c.ID, OK: true}
}

func (d *Daemon) command(ctx context.Context, c alert.Command) error {
	by := c.By
	if err := checkCommand(c); err != nil {
		d.noteRefused(ctx, c, err.Error())
		return err
	}
	if c.Notice != "" {
		return d.perform(ctx, func(now sensors.Instant) (Effects, error) {
			if who := d.core.answeredBy(c.Notice); who != "" {
				return Effects{Journal: []store.JournalEntry{{
					At: now, Kind: kindRefused, Who: by, Subject: c.Notice, New: "acknowledge: already acknowledged by " + who,
				}}}, fmt.Errorf("acknowledge notice %s: already acknowledged by %s", c.Notice, who)
			}
			return d.core.AcknowledgeNotice(now, c.Notice, c.Version, by, c.Why)
		})
	}
	return d.perform(ctx, func(now sensors.Instant) (Effects, error) {
		return d.core.Act(now, rules.Action{
			Kind: rules.ActionKind(c.Action), Key: rules.Key{Alarm: rules.AlarmID(c.Alarm), Subject: c.Subject}, Seq: c.Seq,
			By: by, Why: c.Why, For: time.Duration(c.Minutes * float64(time.Minute)), Until: c.Until, OneShot: c.OneShot,
		})
	})
}

// noteRefused puts into the journal what was refused before the core saw it:
// for its form, its token or its link.
func (d *Daemon) noteRefused(ctx context.Context, c alert.Command, why string) {
	d.post(ctx, func(now sensors.Instant) {
		d.apply(Effects{Journal: d.refusals.pass(now, []store.JournalEntry{{
			At: now, Kind: kindRefused, Who: short(c.By), Subject: short(c.Alarm + "/" + c.Subject), New: short(c.Action + ": " + why),
		}})})
	})
}

// answeredBy returns who acknowledged all that is active under an open notice,
// so that a link answers it once; empty for nobody. A notice that rings again
// may be answered again.
func (c *Core) answeredBy(id string) string {
	for _, v := range c.desk.Open() {
		if v.Notice.ID == id && v.Acknowledged {
			return v.Notice.AckedBy
		}
	}
	return ""
}

// checkCommand checks what holds for a command on whichever way it came.
func checkCommand(c alert.Command) error {
	if c.Notice != "" && c.Action != string(rules.Acknowledge) {
		return fmt.Errorf("a notice can be acknowledged, not %q; name an alarm and a subject instead", short(c.Action))
	}
	if err := mqtt.CheckCommand(c); err != nil {
		return err
	}
	if c.By == "" {
		return errors.New("say who you are: the field by is empty")
	}
	return nil
}

// perform runs f on the core goroutine, applies its effects and waits until
// they are on the disk, but not for ever: a full card refuses no answer.
func (d *Daemon) perform(ctx context.Context, f func(now sensors.Instant) (Effects, error)) error {
	var failed error
	var recorded <-chan struct{}
	ok := d.call(ctx, func(now sensors.Instant) {
		fx, err := f(now)
		failed = err
		if err != nil {
			fx.Journal = d.refusals.pass(now, fx.Journal)
		}
		if recorded = d.apply(fx); err == nil {
			d.publish() // who asks next sees what was done
		}
	})
	if !ok {
		return fmt.Errorf("dewline is stopping: %w", context.Cause(ctx))
	}
	if failed == nil && recorded != nil {
		timer := time.NewTimer(recordWait)
		defer timer.Stop()
		select {
		case <-recorded:
		case <-timer.C:
		case <-ctx.Done():
		}
	}
	return failed
}

// Drill sends a test notice and returns its id.
func (d *Daemon) Drill(ctx context.Context, person, by string) (string, error) {
	if !d.hasWay(person) {
		return "", errors.New("no way to a phone is set up: add [mqtt] or a [[webhook]], and a [[person]] with channels, and reload")
	}
	var id string
	err := d.perform(ctx, func(now sensors.Instant) (fx Effects, err error) {
		id, fx, err = d.core.Drill(now, person, by)
		return fx, err
	})
	return id, err
}

// hasWay reports whether a notice for a person, "" for the first, can leave at
// all. Who names no channel is told by MQTT; other channels were checked.
func (d *Daemon) hasWay(person string) bool {
	cfg := d.cfg.Load()
	broker := cfg.MQTT.Broker != "" || d.o.Channels["mqtt"] != nil
	for _, p := range cfg.People {
		if person == "" || p.ID == person {
			return len(p.Channels) > 0 || broker
		}
	}
	return person != "" || broker // an unknown person is refused elsewhere
}

// A Note is one line that a keeper wrote about an enclosure, or about the room
// where Enclosure is empty.
type Note struct {
	At        sensors.Instant `json:"at"`
	Enclosure string          `json:"enclosure"`
	By        string          `json:"by"`
	Text      string          `json:"text"`
}

// noteKey orders the notes of an enclosure by when they were written.
func noteKey(n Note) string { return fmt.Sprintf("%s/%020d", n.Enclosure, n.At.Mono) }

// maxNote is the most that a note may hold, in bytes.
const maxNote = 500

// AddNote keeps a keeper's note.
func (d *Daemon) AddNote(ctx context.Context, enclosure, by, text string) error {
	text = strings.Join(strings.Fields(text), " ")
	switch {
	case text == "":
		return errors.New("the note is empty")
	case len(text) > maxNote:
		return fmt.Errorf("the note has %d bytes; at most %d are kept", len(text), maxNote)
	case by == "":
		return errors.New("say who you are: the field by is empty")
	case enclosure != "" && !hasEnclosure(d.cfg.Load(), enclosure):
		return fmt.Errorf("there is no enclosure %q", enclosure)
	}
	return d.perform(ctx, func(now sensors.Instant) (Effects, error) {
		n := Note{At: now, Enclosure: enclosure, By: by, Text: text}
		value, err := json.Marshal(n)
		if err != nil {
			return Effects{}, fmt.Errorf("encode the note: %w", err)
		}
		return Effects{
			Docs:    []store.Doc{{Bucket: store.BucketNotes, Key: noteKey(n), Value: value}},
			Journal: []store.JournalEntry{{At: now, Kind: "note", Who: by, Subject: enclosure, New: text}},
		}, nil
	})
}

// Notes returns the notes of an enclosure, or of all where it is empty, that
// were written within [from, to), oldest first.
func (d *Daemon) Notes(enclosure string, from, to time.Time) ([]Note, error) {
	st := d.currentStore()
	if st == nil {
		return nil, errNoRecord
	}
	var out []Note
	for doc, err := range st.Docs(store.BucketNotes) {
		if err != nil {
			return out, err
		}
		var n Note
		if err := json.Unmarshal(doc.Value, &n); err != nil {
			return out, fmt.Errorf("read note %s: %w", doc.Key, err)
		}
		if (enclosure == "" || n.Enclosure == enclosure) && !n.At.Wall.Before(from) && n.At.Wall.Before(to) {
			out = append(out, n)
		}
	}
	return out, nil
}

// Calibrate keeps a correction and puts it in force.
func (d *Daemon) Calibrate(ctx context.Context, c sensors.Correction) error {
	if !hasProbe(d.cfg.Load(), string(c.Probe)) {
		return fmt.Errorf("there is no probe %q", c.Probe)
	}
	old := replaced(d.book.set(), c)
	set, err := d.book.add(c)
	if err != nil {
		return err
	}
	value, err := json.Marshal(c)
	if err != nil {
		return fmt.Errorf("encode the calibration: %w", err)
	}
	d.correctSource()
	owed, err := d.owe(c, set)
	if err != nil {
		return err
	}
	defer d.redos.nudge()
	return d.perform(ctx, func(now sensors.Instant) (Effects, error) {
		fx := d.core.Calibrated(now, d.book.calibrations(d.cfg.Load()))
		fx.Docs = append(fx.Docs, store.Doc{Bucket: store.BucketCalibration, Key: c.ID, Value: value}, owed)
		fx.Journal = append(fx.Journal, store.JournalEntry{
			At: now, Kind: "calibration", Who: c.By, Subject: string(c.Probe), Old: old, New: string(value), Why: c.Note,
		})
		return fx, nil
	})
}

var errNoRecord = errors.New("the record is not open")

func hasEnclosure(cfg *configs.Config, id string) bool {
	for _, e := range cfg.Enclosures {
		if e.ID == id {
			return true
		}
	}
	return false
}

func hasProbe(cfg *configs.Config, id string) bool {
	for _, p := range cfg.Probes {
		if p.ID == id {
			return true
		}
	}
	return false
}
