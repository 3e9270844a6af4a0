package cutsim

import (
	"crypto/sha256"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
)

// sector is what a disk writes whole or not at all.
const sector = 512

// A Disk is what is certain to be on the medium, and what may be. The zero value
// is an empty disk.
type Disk struct {
	files   map[string][]byte // never changed in place
	pending []Op
}

// Do applies op. With lie a sync does nothing, as with a card that only says it
// wrote.
func (d *Disk) Do(op Op, lie bool) {
	if d.files == nil {
		d.files = map[string][]byte{}
	}
	switch {
	case op.Kind == Said || op.Kind == Sync && lie:
	case op.Kind != Sync:
		d.pending = append(d.pending, op)
	default:
		d.pending = slices.DeleteFunc(d.pending, func(p Op) bool {
			certain := p.File == op.File && p.Kind != Rename || op.File == "" && p.Kind == Rename
			if certain {
				apply(d.files, p)
			}
			return certain
		})
	}
}

func apply(files map[string][]byte, op Op) {
	b := files[op.File]
	switch op.Kind {
	case Rename:
		files[op.To] = b
		delete(files, op.File)
		return
	case Truncate:
		if int(op.Off) <= len(b) {
			b = b[:op.Off:op.Off]
		} else {
			b = append(b[:len(b):len(b)], make([]byte, int(op.Off)-len(b))...)
		}
	default:
		if end := int(op.Off) + len(op.Data); end > len(b) {
			b = append(b[:len(b):len(b)], make([]byte, end-len(b))...)
		}
		b = slices.Clone(b)
		copy(b[op.Off:], op.Data)
	}
	files[op.File] = b
}

// Certain returns what is on the medium if everything pending is lost.
func (d *Disk) Certain() map[string][]byte { return maps.Clone(d.files) }

// Cut returns what the medium may hold when the power goes now.
func (d *Disk) Cut(rng *rand.Rand) map[string][]byte {
	files := maps.Clone(d.files)
	if files == nil {
		files = map[string][]byte{}
	}
	pending := slices.Clone(d.pending)
	if rng.IntN(2) == 0 {
		rng.Shuffle(len(pending), func(i, j int) { pending[i], pending[j] = pending[j], pending[i] })
	}
	for _, op := range pending {
		switch fate := rng.IntN(3); {
		case fate == 0: // lost
		case fate == 1 || op.Kind != Write:
			if op.Kind != Rename || files[op.File] != nil {
				apply(files, op)
			}
		default:
			tear(files, op, rng)
		}
	}
	return files
}

// tear applies some of the sectors of a write.
func tear(files map[string][]byte, op Op, rng *rand.Rand) {
	for at := 0; at < len(op.Data); at += sector {
		if rng.IntN(2) == 0 {
			part := op.Data[at:min(at+sector, len(op.Data))]
			apply(files, Op{Kind: Write, File: op.File, Off: op.Off + int64(at), Data: part})
		}
	}
}

// Met remembers states of a disk: most cuts leave one that another left before.
type Met map[[sha256.Size]byte]bool

// First reports whether files are met for the first time with what was promised by then.
func (m Met) First(files map[string][]byte, promised any) bool {
	h := sha256.New()
	fmt.Fprint(h, promised)
	for _, name := range slices.Sorted(maps.Keys(files)) {
		fmt.Fprintf(h, "%q %d", name, len(files[name]))
		h.Write(files[name])
	}
	before := len(m)
	m[[sha256.Size]byte(h.Sum(nil))] = true
	return len(m) > before
}

// Put makes dir hold files and nothing else.
func Put(dir string, files map[string][]byte) error {
	old, err := filepath.Glob(filepath.Join(dir, "*"))
	if err != nil {
		return err
	}
	for _, name := range old {
		if err := os.Remove(name); err != nil {
			return err
		}
	}
	for name, b := range files {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			return err
		}
	}
	return nil
}

// Moments picks n moments of so many operations, in order: a part of them among
// the first, where a file is created, the rest anywhere.
func Moments(rng *rand.Rand, n, ops int) []int {
	const first = 60
	out := make([]int, n)
	for i := range out {
		if i < n/5 {
			out[i] = 1 + i%min(first, ops)
		} else {
			out[i] = 1 + rng.IntN(ops)
		}
	}
	slices.Sort(out)
	return out
}
