package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"time"

	"dewline/rules/event"
	"dewline/sensors"
)

// ErrNothing says that a file has nothing that could be saved.
var ErrNothing = errors.New("nothing in it can be read")

// Repair copies every whole record of the file src to a new record at dst,
// which must not exist, and notes there that by did so. src is only read. It goes
// on past damage and says what it gave up; an error means that nothing could be
// written or read at all, and that there is no file at dst.
func Repair(ctx context.Context, src, dst, by string) (rep RepairReport, err error) {
	defer wrap(&err, "repair %s", src)
	if _, err := os.Lstat(dst); err == nil {
		return rep, fmt.Errorf("%s exists already; name a file that does not", dst)
	}
	if err := notInUse(src); err != nil {
		return rep, err
	}
	f, size, err := openToRead(src)
	if err != nil {
		return rep, err
	}
	defer f.Close()
	rep, err = repairFrom(ctx, f, size, dst, func(rep *RepairReport) event.Event {
		e := event.New(sensors.Instant{Wall: time.Now()}, event.Record{Act: "repair", File: src,
			What: fmt.Sprintf("%d readings, %d documents and %d journal lines saved, %d pages or entries given up", rep.Readings, rep.Docs, rep.Journal, rep.Damaged)})
		e.By = by
		return e
	})
	if err != nil {
		_ = os.Remove(dst)
	}
	return rep, err
}

// repairFrom is repair of so many bytes, which may refuse to be read in places. note
// makes the line of the journal that says so.
func repairFrom(ctx context.Context, f io.ReaderAt, size int64, dst string, note func(*RepairReport) event.Event) (RepairReport, error) {
	rep := RepairReport{}
	v := &salvager{ctx: ctx, f: f, size: size, rep: &rep}
	if err := create(dst, v.fill); err != nil {
		return rep, err
	}
	forEver := Keep{KeepRaw: math.MaxInt64, MaxBytes: math.MaxInt64} // nothing is too old to be saved
	s, opened, err := openPath(ctx, Options{Dir: filepath.Dir(dst), Keep: forEver}, dst)
	if err != nil {
		return rep, errors.Join(err, s.Close(ctx))
	}
	for _, p := range s.mem.order { // of the open hour
		if n := len(p.recs); n > 0 {
			rep.cover(n, p.recs[0].Wall, p.recs[n-1].Wall)
		}
	}
	rep.Damaged, rep.DamagedReasons = 0, nil // the second walk meets them again
	if err := s.regainFrom(v); err != nil {
		rep.Incomplete = true
		rep.DamagedReasons = append(rep.DamagedReasons, err.Error())
	}
	ctx = context.WithoutCancel(ctx) // what there is is kept
	if rep.Docs+rep.Journal+rep.Readings+rep.Tables == 0 {
		return rep, errors.Join(ErrNothing, s.Close(ctx))
	}
	e := note(&rep)
	e.At.Mono = opened.LastMono
	err = s.Commit(Commit{Journal: []event.Event{e}})
	return rep, errors.Join(err, s.Close(ctx))
}
