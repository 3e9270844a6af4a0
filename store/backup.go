package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	bolt "go.etcd.io/bbolt"
)

// Backup writes a copy of the record, as of now, to path, and checks all of it
// before it takes that name. The store stays in use meanwhile.
func (u *upkeep) Backup(ctx context.Context, path string) (err error) {
	defer wrap(&err, "back the record up to %s", path)
	return TakeCopy(ctx, path, func(w io.Writer) error {
		// Not beside a Compact: that would wait for the end of the copy with all writes behind it.
		if err := u.tidying.take(ctx); err != nil {
			return err
		}
		defer u.tidying.give()
		return u.view(func(tx *bolt.Tx) error { _, err := tx.WriteTo(w); return err })
	})
}

// TakeCopy writes a copy of a record to path, and checks all of it before it takes that
// name. from writes it, and is called once.
func TakeCopy(ctx context.Context, path string, from func(io.Writer) error) error {
	tmp := path + ".new"
	err := writeFile(ctx, tmp, from)
	if err == nil {
		err = Verify(ctx, tmp)
	}
	return takeName(tmp, path, err)
}

// writeFile writes to path what from does, and waits until that is on the disk.
func writeFile(ctx context.Context, path string, from func(io.Writer) error) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	if err = from(ctxWriter{ctx, f}); err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// ctxWriter stops a long copy when its context ends.
type ctxWriter struct {
	ctx context.Context
	w   io.Writer
}

func (c ctxWriter) Write(b []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.w.Write(b)
}

// Verify reads all of the record at path, which no process may be writing, and
// returns the first fault it finds.
func Verify(ctx context.Context, path string) error {
	err := verify(ctx, path, true)
	wrap(&err, "check %s", path)
	return err
}

// Restore puts a checked copy of the backup at path in place as the record in
// dir. A record that is there already is kept under a dated name, which it
// returns. It refuses while a daemon has that record open, and a backup that this
// version could not open.
//
// The record is never missing or half written: the copy is whole and on the
// disk under another name before it takes the old record's place in one step.
// Where the file system knows no second names for a file there are two, and a
// power cut between them leaves the old record under its dated name.
func Restore(ctx context.Context, path, dir string) (aside string, err error) {
	defer wrap(&err, "restore %s", path)
	if err := notInUse(path); err != nil {
		return "", err
	}
	if err := Verify(ctx, path); err != nil {
		return "", err
	}
	dst := filepath.Join(dir, FileName)
	if err := cmp.Or(os.MkdirAll(dir, 0o700), notInUse(dst)); err != nil {
		return "", err
	}
	tmp := dst + ".restored"
	from, err := os.Open(path)
	if err != nil {
		return "", err
	}
	err = writeFile(ctx, tmp, func(w io.Writer) error { _, err := from.WriteTo(w); return err })
	if err = errors.Join(err, from.Close()); err != nil {
		_ = os.Remove(tmp)
		return "", err
	}
	if _, err := os.Lstat(dst); err == nil {
		aside = fmt.Sprintf("%s.replaced-%s", dst, time.Now().UTC().Format("20060102T150405.000Z"))
		if os.Link(dst, aside) != nil {
			if err := os.Rename(dst, aside); err != nil {
				return "", err
			}
		}
	}
	return aside, takeName(tmp, dst, nil)
}
