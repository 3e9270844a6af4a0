package store

import (
	"log/slog"
	"os"
	"strconv"
	"time"

	"dewline/rules/event"
	"dewline/sensors"
)

// Options say where the record is kept and for how long.
type Options struct {
	// Dir is the data directory; it is made if missing. The record is the file
	// FileName in it.
	Dir string
	Keep
	// Limits names what counts as inside the band for a probe at an instant.
	// It must be quick and safe for concurrent use. Nil counts nothing.
	Limits LimitsFunc
	// Logger receives what no caller is there to be told; nil discards it.
	Logger *slog.Logger
	// Replaced is told when a file that was in use turned out damaged, was moved
	// aside, and another begun. It must not block. Nil tells nobody.
	Replaced func(Report)
	// Lost is told at once that n more readings were dropped, for want of room.
	// It must not block. Nil tells nobody.
	Lost func(n uint64)
	// Full is told that so many readings are open that a Flush should not wait
	// for its turn. It must not block. Nil tells nobody.
	Full func()
	// Within is how long Open may take; 0 means 4 s.
	Within time.Duration
	// ReadOnly opens an existing record for the tools, writing nothing. It
	// cannot share the file with a daemon that is running.
	ReadOnly bool

	// CheckLater lets Open look only at what could end the process or hide an open
	// alarm: the size, the roots and the documents. The caller has to call Check,
	// which does the rest.
	CheckLater bool

	openFile func(string, int, os.FileMode) (*os.File, error) // for tests of faults
}

// A Keep says for how long the record is kept, and how large it may grow.
type Keep struct {
	// KeepRaw is the running time that readings are kept for; 0 means two
	// years. It is counted on the running clock, so a stepped wall clock
	// deletes nothing.
	KeepRaw time.Duration
	// KeepTable is the running time that rollups are kept for; 0 keeps them
	// for ever.
	KeepTable time.Duration
	// KeepJournal is the running time that entries of the journal are kept for, a few
	// hundred at least; 0 keeps them for ever.
	KeepJournal time.Duration
	// MaxBytes caps the file. The oldest readings go first, early enough that
	// alarms always find room. 0 means 4 GiB, and 256 MiB where pointers have
	// 32 bits, which is also the most that such a board can map.
	MaxBytes int64
}

// complete fills in what is not said.
func (k Keep) complete() *Keep {
	if k.KeepRaw == 0 {
		k.KeepRaw = 2 * 365 * 24 * time.Hour
	}
	if k.MaxBytes == 0 {
		k.MaxBytes = 4 << 30
	}
	if strconv.IntSize == 32 {
		k.MaxBytes = min(k.MaxBytes, 256<<20)
	}
	k.MaxBytes = max(k.MaxBytes, 1<<20)
	return &k
}

// FileName is the name of the record inside Options.Dir.
const FileName = "dewline.db"

// Limits are the bounds that rollups count seconds against. A nil field is not
// counted.
type Limits struct {
	Low, High *sensors.CentiCelsius // band, both ends inside
	Floor     *sensors.CentiPercent // humidity below it counts
	Lethal    *sensors.CentiCelsius // temperature at or above it counts
}

// A LimitsFunc returns the limits that hold for a probe at an instant.
type LimitsFunc func(probe sensors.ProbeID, at sensors.Instant) Limits

// A Report tells how an Open went.
type Report struct {
	Fresh       bool          // a new file was begun
	Migrated    bool          // it was of an older schema and was brought forward
	FellBack    bool          // the last commit was damaged; the one before is used
	Quarantined string        // path that a damaged file was moved to, or empty
	Damage      error         // what was found damaged, nil if nothing
	Readings    int           // readings of the open hour taken back into memory
	LastMono    time.Duration // where running time stopped, for the next Instant
	LastWall    time.Time     // the newest wall time on record, which an unset clock may have told
	// LastSet is the newest moment of the open hour under a set clock; zero for none.
	LastSet sensors.Instant
}

// A Bucket is a kind of document.
type Bucket uint8

// The kinds of documents. Their bytes mean something only to their owners.
const (
	BucketAlarms Bucket = iota + 1
	BucketOutbox
	BucketCalibration
	BucketNotes
	BucketMeta
	BucketDrills
	BucketPeople
	BucketConfig
	bucketEnd
)

// A Doc is one keyed document. Committing a nil Value deletes it.
type Doc struct {
	Bucket Bucket
	Key    string // not empty, at most 1 KiB
	Value  []byte
}

// A Commit is written in one transaction: all of it or nothing.
type Commit struct {
	Docs    []Doc
	Journal []event.Event
	State   []byte // the engine's state; nil leaves the stored one
}

// A Level is the span of one rollup.
type Level uint8

// The levels that are kept, and days of UTC, which are made of hours as they are asked for.
const (
	TenMinutes Level = iota + 1
	Hour
	Day
)

// Span returns how long one rollup of the level lasts.
func (l Level) Span() time.Duration {
	switch l {
	case Day:
		return 24 * time.Hour
	case Hour:
		return time.Hour
	}
	return 10 * time.Minute
}

// A Spread is the least, the mean and the greatest of one quantity, in the
// quantity's fixed-point unit.
type Spread struct{ Min, Mean, Max int32 }

// A Rollup sums up one probe over one span of wall time (UTC). Only readings
// that are Good or Suspect count. Seconds are those a reading stands for: up to
// the next one, at most gapAfter.
type Rollup struct {
	Probe       sensors.ProbeID
	Start       time.Time // on a multiple of the level's span
	Level       Level
	Count       int                // readings with a temperature or a humidity
	Has         sensors.Quantities // which of the spreads below hold anything
	Temperature Spread             // hundredths of °C
	Humidity    Spread             // hundredths of %RH
	VPD         Spread             // whole pascals, where both are present
	InBand      time.Duration      // temperature inside the band
	BelowFloor  time.Duration      // humidity below the floor
	AboveCeil   time.Duration      // temperature at or above the lethal limit
	Covered     time.Duration      // time for which there was a reading
	Gap         time.Duration      // the rest of the span
}

// Stats describe the store for the metrics and the health page.
type Stats struct {
	FileBytes    int64     `json:"file_bytes"` // length of the file
	FreeBytes    int64     `json:"free_bytes"` // reusable inside it
	CapBytes     int64     `json:"cap_bytes"`
	BytesWritten uint64    `json:"written_bytes"`        // pages handed to the file since Open
	Unwritten    int       `json:"unwritten_readings"`   // that a power cut would lose now
	Lost         uint64    `json:"lost_readings"`        // dropped for want of room, since Open
	Commits      uint64    `json:"commits"`              // transactions and batches of readings since Open
	Errors       uint64    `json:"errors"`               // failed transactions since Open
	Damaged      uint64    `json:"damaged_records"`      // refused because their checksum was wrong
	LastCommit   time.Time `json:"last_commit,omitzero"` // by the board's clock, or of readings alone
	LastError    string    `json:"last_error,omitempty"`
	OldestRaw    time.Time `json:"oldest_reading,omitzero"` // wall time, on disk
	Newest       time.Time `json:"newest_reading,omitzero"` // wall time
	Blocks       int       `json:"-"`                       // bundles of readings on disk
	OpenReadings int       `json:"-"`                       // held in memory for the open hour
}
