package store

import (
	"encoding/binary"
	"fmt"
	"sync"

	"dewline/store/block"
)

// errDirectory says that a bundle cannot be told apart into its blocks.
var errDirectory = fmt.Errorf("%w: bundle directory", ErrDamaged)

// A directory tells where in a bundle each probe is.
type directory struct {
	parts []dirPart
	sum   uint32 // of the directory
	size  int    // of the bundle
	end   int    // where the sum is
	used  int    // of the bundle without its spare
}

// A dirPart is where the name of a probe is in a bundle, and where its first block.
type dirPart struct{ name, data uint32 }

// readDirectory checks the directory of a bundle. What its parts say lies within the
// bundle; the blocks are not checked yet.
func readDirectory(b []byte) (directory, error) {
	if !isBundle(b) {
		return directory{}, errDirectory
	}
	r := dirReader{b: b, at: bundleStart}
	d, before := directory{size: len(b)}, uint64(0)
	for count := r.uvarint(); count > 0 && !r.bad; count-- {
		d.parts = append(d.parts, dirPart{uint32(r.at), uint32(before)})
		_, blocks := r.name()
		for range blocks {
			before += min(r.uvarint(), uint64(len(b)))
		}
	}
	d.end = r.at
	if r.bad || d.end+4 > len(b) || before > uint64(len(b)-d.end-4) {
		return directory{}, errDirectory
	}
	d.sum = binary.LittleEndian.Uint32(b[d.end:])
	if len(d.parts) > block.MaxSeries || d.sum != block.Checksum(b[:d.end]) {
		return directory{}, errDirectory
	}
	d.used = d.end + 4 + int(before)
	for i := range d.parts {
		d.parts[i].data += uint32(d.end + 4)
	}
	return d, nil
}

// find returns the part of a probe, looking first where it is likely; false where it has
// none.
func (d *directory) find(b []byte, probe string, likely int) (int, bool) {
	for i := range d.parts {
		at := (likely - i%len(d.parts) + len(d.parts)) % len(d.parts)
		r := dirReader{b: b, at: int(d.parts[at].name)}
		if name, _ := r.name(); string(name) == probe {
			return at, true
		}
	}
	return 0, false
}

// part returns the name of a part and calls use with each of its blocks, which alias b.
func (d *directory) part(b []byte, i int, use func(block []byte)) (probe []byte) {
	r := dirReader{b: b, at: int(d.parts[i].name)}
	probe, blocks := r.name()
	at := uint64(d.parts[i].data)
	for range blocks {
		size := min(r.uvarint(), uint64(len(b))-at)
		use(b[at : at+size])
		at += size
	}
	return probe
}

// readParts returns what each probe has in a bundle. The blocks alias b and are not
// checked yet.
func readParts(b []byte) ([]bundlePart, error) {
	d, err := readDirectory(b)
	out := make([]bundlePart, len(d.parts))
	for i := range out {
		p := &out[i]
		p.probe = string(d.part(b, i, func(blk []byte) { p.blocks = append(p.blocks, blk) }))
	}
	return out, err
}

// mostParts is how many parts of directories are remembered: a year of days of 48
// probes and more than as much again, in less than half a megabyte.
const mostParts = 50_000

// directories remember those of bundles that were looked into: who asks for one probe
// after another would read each as often as there are probes.
type directories struct {
	mu    sync.Mutex
	known map[dirKey]directory
	parts int
}

type dirKey struct {
	root byte // the first of its name
	of   bundleKey
}

func (c *directories) of(b []byte, root string, key bundleKey) (directory, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	at := dirKey{root[0], key}
	if d, ok := c.known[at]; ok && d.size == len(b) && d.sum == binary.LittleEndian.Uint32(b[d.end:]) {
		return d, nil // it is that of b
	}
	d, err := readDirectory(b)
	if err != nil {
		return d, err
	}
	if c.parts += len(d.parts); c.known == nil || c.parts > mostParts {
		c.known, c.parts = map[dirKey]directory{}, len(d.parts)
	}
	c.known[at] = d
	return d, nil
}

// clear forgets all of them: bundles are about to go.
func (c *directories) clear() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.known, c.parts = nil, 0
}

// A dirReader steps through a bundle's directory. Past the end it is bad, and
// yields zeros.
type dirReader struct {
	b   []byte
	at  int
	bad bool
}

// uvarint reads one number. Nearly all are lengths of one byte or two.
func (d *dirReader) uvarint() uint64 {
	v, n := binary.Uvarint(d.b[min(d.at, len(d.b)):])
	if n <= 0 {
		d.bad = true
		return 0
	}
	d.at += n
	return v
}

func (d *dirReader) bytes(n uint64) []byte {
	if d.bad || n > uint64(len(d.b)-d.at) {
		d.bad = true
		return nil
	}
	d.at += int(n)
	return d.b[d.at-int(n) : d.at : d.at]
}

// name reads a probe's name and how many blocks it has.
func (d *dirReader) name() (name []byte, blocks int) {
	n := d.uvarint()
	if d.bad || n >= uint64(len(d.b)-d.at) {
		d.bad = true
		return nil, 0
	}
	end := d.at + int(n)
	name, blocks = d.b[d.at:end], int(d.b[end])
	d.at = end + 1
	return name, blocks
}
