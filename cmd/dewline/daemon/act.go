package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"dewline/alert"
	"dewline/alert/page"
	"dewline/cmd/dewline/core"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/store"
)

// Command carries out what a person asks through a channel, the page or the
// control socket. Form and token were checked by the caller.
func (d *Daemon) Command(ctx context.Context, c alert.Command) alert.Reply {
	err := d.command(ctx, c)
	if errors.Is(err, errNotKept) {
		return alert.Reply{ID: c.ID, OK: true, Note: err.Error()}
	}
	if err != nil {
		return alert.Reply{ID: c.ID, Error: err.Error()}
	}
	return alert.Reply{ID: c.ID, OK: true}
}

func (d *Daemon) command(ctx context.Context, c alert.Command) error {
	by := c.By
	if err := checkCommand(c); err != nil {
		d.Refuse(ctx, c, err.Error())
		return err
	}
	seen, err := c.Seen()
	if err != nil {
		return err
	}
	if c.Notice != "" {
		return d.loop.answer(ctx, func(now sensors.Instant) (core.Effects, error) {
			return d.loop.core.AcknowledgeNotice(now, c.Notice, c.Version, by, c.Why)
		})
	}
	return d.loop.answer(ctx, func(now sensors.Instant) (core.Effects, error) {
		return d.loop.core.Act(now, rules.Action{
			Kind: rules.ActionKind(c.Action), Key: alarm.Key{Alarm: alarm.ID(c.Alarm), Subject: c.Subject}, Seq: c.Seq, Seen: seen,
			By: by, Why: c.Why, For: time.Duration(c.Minutes * float64(time.Minute)), Until: c.Until, OneShot: c.OneShot, Empty: c.Empty,
		})
	})
}

// Refuse puts into the journal what was refused before the core saw it:
// for its form, its token or its link.
func (d *Daemon) Refuse(ctx context.Context, c alert.Command, why string) {
	d.loop.post(ctx, func(now sensors.Instant) { d.loop.apply(d.loop.core.Refuse(now, c, why)) })
}

// checkCommand checks what holds for a command on whichever way it came.
func checkCommand(c alert.Command) error {
	if err := c.Check(); err != nil {
		return err
	}
	if c.By == "" {
		return errors.New("say who you are: the field by is empty")
	}
	return nil
}

// errNotKept says that what was done may be forgotten.
var errNotKept = errors.New("it is done, but the card does not take it now: after a restart it may ring again")

// perform is answer for what may be kept later.
func (l *loop) perform(ctx context.Context, f func(now sensors.Instant) (core.Effects, error)) error {
	if err := l.answer(ctx, f); !errors.Is(err, errNotKept) {
		return err
	}
	return nil
}

// answer runs f on the loop's goroutine, applies its effects and waits until
// they are on the disk, but not for ever: a full card refuses no answer. Then it
// fails with errNotKept.
func (l *loop) answer(ctx context.Context, f func(now sensors.Instant) (core.Effects, error)) error {
	var recorded <-chan struct{}
	err := l.call(ctx, func(now sensors.Instant) error {
		fx, err := f(now)
		if recorded = l.apply(fx); err == nil {
			l.publish() // who asks next sees what was done
		}
		return err
	})
	if err == nil && recorded != nil && !onDisk(ctx, recorded, recordWait) {
		return errNotKept
	}
	return err
}

// Drill sends a test notice and returns its id.
func (d *Daemon) Drill(ctx context.Context, person, by string) (string, error) {
	if !d.hasWay(person) {
		return "", errors.New("no way to a phone is set up: add [mqtt] or a [[webhook]], and a [[person]] with channels, and reload")
	}
	var id string
	err := d.loop.perform(ctx, func(now sensors.Instant) (fx core.Effects, err error) {
		id, fx, err = d.loop.core.Drill(now, person, by)
		return fx, err
	})
	if err == nil {
		d.loop.sounder.Try()
	}
	return id, err
}

// hasWay reports whether a notice for a person, "" for the first, can leave at
// all. Who names no channel is told by MQTT or else by webhook; other channels were
// checked.
func (d *Daemon) hasWay(person string) bool {
	cfg := d.cfg.Load()
	way := cfg.MQTT.Broker != "" || len(cfg.Webhooks) > 0 || d.o.Channels["mqtt"] != nil
	for _, p := range cfg.People {
		if person == "" || p.ID == person {
			return len(p.Channels) > 0 || way
		}
	}
	return person != "" || way // an unknown person is refused elsewhere
}

// AddNote keeps a keeper's note.
func (d *Daemon) AddNote(ctx context.Context, enclosure, by, text string) error {
	text = strings.Join(strings.Fields(text), " ")
	switch {
	case text == "":
		return errors.New("the note is empty")
	case utf8.RuneCountInString(text) > page.MostNote:
		return fmt.Errorf("the note has %d characters; at most %d are kept", utf8.RuneCountInString(text), page.MostNote)
	case by == "":
		return errors.New("say who you are: the field by is empty")
	case enclosure != "" && !slices.ContainsFunc(d.cfg.Load().Enclosures, func(e configs.Enclosure) bool { return e.ID == enclosure }):
		return fmt.Errorf("there is no enclosure %q", enclosure)
	}
	return d.loop.perform(ctx, func(now sensors.Instant) (core.Effects, error) {
		return core.KeepNote(alert.Note{At: now, Enclosure: enclosure, By: by, Text: text})
	})
}

// Calibrate keeps a correction and puts it in force.
func (d *Daemon) Calibrate(ctx context.Context, c sensors.Correction) error {
	if !slices.ContainsFunc(d.cfg.Load().Probes, func(p configs.Probe) bool { return p.ID == string(c.Probe) }) {
		return fmt.Errorf("there is no probe %q", c.Probe)
	}
	old := inPlaceOf(d.book.set(), c)
	set, err := d.book.add(c)
	if err != nil {
		return err
	}
	value, err := json.Marshal(c)
	if err != nil {
		return fmt.Errorf("encode the calibration: %w", err)
	}
	d.probes.correct()
	owed, err := d.record.owe(c, set)
	if err != nil {
		return err
	}
	defer nudge(d.record.redos.wake)
	return d.loop.perform(ctx, func(now sensors.Instant) (core.Effects, error) {
		fx := d.loop.core.Calibrated(now, d.book.calibrations(d.cfg.Load()))
		fx.Docs = append(fx.Docs, store.Doc{Bucket: store.BucketCalibration, Key: c.ID, Value: value}, owed)
		fx.Events = append(fx.Events, core.CalibrationEvent(now, &c, old, string(value)))
		return fx, nil
	})
}
