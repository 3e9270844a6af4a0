package store

import (
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
func (s *Store) Backup(ctx context.Context, path string) error {
	tmp := path + ".new"
	err := s.view(func(tx *bolt.Tx) error {
		f, err := os.OpenFile(tmp, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
		if err != nil {
			return err
		}
		_, err = tx.WriteTo(ctxWriter{ctx, f})
		if err == nil {
			err = f.Sync()
		}
		return errors.Join(err, f.Close())
	})
	if err == nil {
		err = verifyFile(ctx, tmp)
	}
	if err == nil {
		err = os.Rename(tmp, path)
	}
	if err != nil {
		_ = os.Remove(tmp)
		return fmt.Errorf("back the record up to %s: %w", path, err)
	}
	return syncPath(filepath.Dir(path))
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

// verifyFile reads all of the file at path. It opens it for reading only and takes no
// lock: the caller knows that nobody writes to it.
func verifyFile(ctx context.Context, path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := verify(ctx, f); err != nil {
		return fmt.Errorf("check %s: %w", path, err)
	}
	return nil
}

// Verify reads all of the record at path, which no process may be writing, and
// returns the first fault it finds.
func Verify(ctx context.Context, path string) error { return verifyFile(ctx, path) }

// Restore puts a checked copy of the backup at path in place as the record in
// dir. A record that is there already is moved aside under a dated name. It
// refuses while a daemon has that record open.
func Restore(path, dir string) error {
	if err := restore(context.Background(), path, dir); err != nil {
		return fmt.Errorf("restore %s: %w", path, err)
	}
	return nil
}

// restore never leaves dst missing or half written: the copy is whole and on the
// disk under another name before the old record is moved aside. A power cut between
// the two renames leaves the old one under its dated name and the copy as .new.
func restore(ctx context.Context, path, dir string) error {
	if err := verifyFile(ctx, path); err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	dst := filepath.Join(dir, FileName)
	if f, err := os.OpenFile(dst, os.O_RDWR, 0); err == nil {
		err = lockFree(f, false)
		if err = errors.Join(err, f.Close()); err != nil {
			return err
		}
	}
	tmp := dst + ".new"
	if err := copyFile(ctx, path, tmp); err != nil {
		_ = os.Remove(tmp)
		return err
	}
	if _, err := os.Lstat(dst); err == nil {
		aside := fmt.Sprintf("%s.replaced-%s", dst, time.Now().UTC().Format("20060102T150405.000Z"))
		if err := os.Rename(dst, aside); err != nil {
			return err
		}
	}
	if err := os.Rename(tmp, dst); err != nil {
		return err
	}
	return syncPath(dir)
}

// copyFile copies from to to and waits until the copy is on the disk.
func copyFile(ctx context.Context, from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(ctxWriter{ctx, out}, in)
	if err == nil {
		err = out.Sync()
	}
	return errors.Join(err, out.Close())
}

// Compact copies the record into a smaller file without the free pages, checks
// the copy and goes on with it. Commits wait meanwhile; Append does not.
func (s *Store) Compact(ctx context.Context) error {
	select {
	case s.flushing <- struct{}{}:
	case <-ctx.Done():
		return fmt.Errorf("compact the record: %w", ctx.Err())
	}
	defer func() { <-s.flushing }()
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := s.compact(ctx); err != nil {
		_ = os.Remove(s.path + ".compact")
		return fmt.Errorf("compact the record: %w", err)
	}
	return nil
}

// compact does it. The caller holds the flushing token and the writing lock, so the
// file does not change between the copy and the rename.
func (s *Store) compact(ctx context.Context) error {
	tmp := s.path + ".compact"
	if err := os.Remove(tmp); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	s.file.RLock()
	err := s.copyCompact(tmp)
	s.file.RUnlock()
	if err != nil {
		return err
	}
	if err := verifyFile(ctx, tmp); err != nil {
		return err
	}
	s.file.Lock()
	defer s.file.Unlock()
	if s.db == nil {
		return ErrUnavailable
	}
	if err := guard(s.db.Close); err != nil {
		return err
	}
	s.db = nil // until it is open again; if it will not, the next write tries
	if err := os.Rename(tmp, s.path); err != nil {
		return err
	}
	if err := syncPath(filepath.Dir(s.path)); err != nil {
		return err
	}
	db, err := openBolt(s.path, s.boltOptions())
	s.db = db
	return err
}

// copyCompact writes the small copy. The caller holds file for reading.
func (s *Store) copyCompact(tmp string) error {
	if s.db == nil {
		return ErrUnavailable
	}
	o := s.boltOptions()
	o.NoSync = true
	dst, err := openBolt(tmp, o)
	if err != nil {
		return err
	}
	const txBytes = 4 << 20
	err = guard(func() error { return bolt.Compact(dst, s.db, txBytes) })
	return errors.Join(err, dst.Close(), syncPath(tmp))
}
