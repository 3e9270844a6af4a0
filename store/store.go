package store

import (
	"context"
	"errors"
	"iter"
	"time"

	"dewline/sensors"
)

// Store is an open record. All methods are safe for concurrent use.
type Store struct{}

// ErrNewer says that the file was written by a later version.
var ErrNewer = errors.New("the record was written by a newer version of dewline; install that version, or move the file away")

func Open(ctx context.Context, o Options) (*Store, Report, error)          { return nil, Report{}, nil }
func (s *Store) Close(ctx context.Context) error                           { return nil }
func (s *Store) SetLimits(f LimitsFunc)                                    {}
func (s *Store) Append(r sensors.Reading)                                  {}
func (s *Store) Flush(ctx context.Context, state []byte) error             { return nil }
func (s *Store) Commit(c Commit) error                                     { return nil }
func (s *Store) Docs(b Bucket) iter.Seq2[Doc, error]                       { return nil }
func (s *Store) Get(b Bucket, key string) ([]byte, error)                  { return nil, nil }
func (s *Store) State() ([]byte, error)                                    { return nil, nil }
func (s *Store) Journal(from, to time.Time) iter.Seq2[JournalEntry, error] { return nil }
func (s *Store) VerifyJournal() (entries int, err error)                   { return 0, nil }
func (s *Store) Probes() []sensors.ProbeID                                 { return nil }
func (s *Store) Stats() Stats                                              { return Stats{} }
func (s *Store) Backup(ctx context.Context, path string) error             { return nil }
func (s *Store) Compact(ctx context.Context) error                         { return nil }
func Restore(path, dir string) error                                       { return nil }
func Repair(ctx context.Context, src, dst string) (RepairReport, error)    { return RepairReport{}, nil }

// RepairReport tells what a Repair saved.
type RepairReport struct {
	Pages, Readings, Rollups, Docs, Journal, Damaged int
}

// Readings yields one probe's readings with from <= wall time < to, in order of
// wall time as recorded.
func (s *Store) Readings(ctx context.Context, probe sensors.ProbeID, from, to time.Time) iter.Seq2[sensors.Reading, error] {
	return nil
}

// Rollups yields one probe's rollups whose span starts in [from, to).
func (s *Store) Rollups(ctx context.Context, probe sensors.ProbeID, level Level, from, to time.Time) iter.Seq2[Rollup, error] {
	return nil
}

// Recompute makes the rollups of one probe again from its readings, each passed
// through correct first; it returns how many bundles changed.
func (s *Store) Recompute(ctx context.Context, probe sensors.ProbeID, from, to time.Time, correct func(sensors.Reading) sensors.Reading) (int, error) {
	return 0, nil
}
