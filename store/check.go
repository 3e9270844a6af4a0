package store

import (
	"context"
	"encoding/binary"
	"fmt"
	"hash/fnv"
	"io"
	"math"
	"os"
)

// The checks below read the file's pages themselves, never through the mapping:
// the library panics on a damaged page, and a file cut short kills the process
// that maps it. Layout as in the library's file format version 2 (common/page.go
// and common/meta.go of bbolt 1.5.0), little-endian.
const (
	metaMagic   = 0xED0CDAED
	metaVersion = 2
	maxDepth    = 24
	noFreelist  = math.MaxUint64
)

// A fileMeta is one of the two roots of the file.
type fileMeta struct {
	slot        int64 // 0 or 1
	root, pages uint64
	freelist    uint64 // page of the list of free pages, noFreelist for none
	txid        uint64
}

func metaSum(d []byte) uint64 {
	sum := fnv.New64a()
	sum.Write(d[:56])
	return sum.Sum64()
}

// readMetas returns the valid metas, the newest first.
func readMetas(r io.ReaderAt) (out []fileMeta) {
	le := binary.LittleEndian
	for slot := range int64(2) {
		var b [pageHeader + 64]byte
		_, err := r.ReadAt(b[:], slot*pageSize)
		d := b[pageHeader:]
		if err == nil && le.Uint64(b[:]) == uint64(slot) && le.Uint16(b[8:]) == flagMeta && le.Uint32(d) == metaMagic &&
			le.Uint32(d[4:]) == metaVersion && le.Uint32(d[8:]) == pageSize && le.Uint64(d[56:]) == metaSum(d) {
			out = append(out, fileMeta{slot: slot, root: le.Uint64(d[16:]), freelist: le.Uint64(d[32:]), pages: le.Uint64(d[40:]), txid: le.Uint64(d[48:])})
		}
	}
	if len(out) == 2 && out[1].txid > out[0].txid {
		out[0], out[1] = out[1], out[0]
	}
	return out
}

func newestMeta(r io.ReaderAt) (fileMeta, error) {
	metas := readMetas(r)
	if len(metas) == 0 {
		return fileMeta{}, badf("neither of its two roots is valid")
	}
	return metas[0], nil
}

// A visit is told of one record: the names of the buckets around it, its key, and a way to
// read its value.
type visit func(path [][]byte, key []byte, value func() ([]byte, error)) error

// A walker goes through every page that a root leads to. It needs ctx and r.
type walker struct {
	ctx   context.Context
	r     io.ReaderAt
	leaf  visit                     // nil only checks
	depth func(path [][]byte) depth // how far a bucket is gone into, nil for all of each
	edges bool                      // only the first and the last page below each is gone into
	skip  func(err error)           // carries on past a damaged page instead of stopping
	pages uint64
	seen  []bool // by page
}

// A depth is how far a walker goes into a bucket.
type depth int

const (
	wholly depth = iota
	atEdges
	notAtAll
)

// walk goes through the tree under m in a file of so many bytes, and returns the first
// fault found. A file that is shorter than m says is what a truncation looks like.
func (w walker) walk(size int64, m fileMeta) error {
	if m.pages < 3 || m.pages > uint64(size/pageSize) {
		return badf("%d bytes are fewer than its %d pages", size, m.pages)
	}
	w.pages, w.seen = m.pages, make([]bool, m.pages)
	return w.page(m.root, nil, nil, nil, 0)
}

// page checks one page and all below it. Keys must lie in [low, high).
func (w *walker) page(id uint64, path [][]byte, low, high []byte, depth int) error {
	if err := w.ctx.Err(); err != nil {
		return fmt.Errorf("check the file: %w", err)
	}
	if depth > maxDepth {
		return badf("page %d is too deep", id)
	}
	n, err := readNode(w.r, id, w.pages)
	if err == nil {
		err = w.claim(n)
	} else if w.skip != nil && len(path) == 2 && string(path[0]) == rootRaw && isDamage(err) {
		w.skip(err)
		return w.leaf(path, []byte(valueKey), func() ([]byte, error) { return withoutFirst(w.r, id, w.pages), nil })
	}
	if err == nil {
		err = n.order(low, high)
	}
	if err == nil {
		err = w.below(n, path, high, depth)
	}
	if err != nil && w.skip != nil && isDamage(err) {
		w.skip(err)
		return nil
	}
	return err
}

// claim marks the pages of one node as used; two nodes must not share any.
func (w *walker) claim(n *node) error {
	for p := n.id; p < n.id+uint64(n.size/pageSize); p++ {
		if w.seen[p] {
			return badf("page %d is used twice", p)
		}
		w.seen[p] = true
	}
	return nil
}

// below goes down from a node into child pages and buckets.
func (w *walker) below(n *node, path [][]byte, high []byte, depth int) error {
	for i := range n.elems {
		e := &n.elems[i]
		switch {
		case n.branch && w.edges && i > 0 && i < len(n.elems)-1:
		case n.branch:
			next := high
			if i+1 < len(n.elems) {
				next = n.elems[i+1].key
			}
			if err := w.page(e.child, path, e.key, next, depth+1); err != nil {
				return err
			}
		case e.flags&leafBucket != 0:
			if err := w.bucket(n, e, path, depth); err != nil {
				return err
			}
		case w.leaf != nil:
			if err := w.leaf(path, e.key, func() ([]byte, error) { return n.value(e) }); err != nil {
				return err
			}
		}
	}
	return nil
}

// bucket checks the bucket that a leaf element holds: its own page, or, small
// as it is, a page inside the value.
func (w *walker) bucket(n *node, e *element, path [][]byte, depth int) error {
	v, err := n.value(e)
	if err != nil {
		return err
	}
	if len(v) < 16 {
		return badf("bucket %q on page %d has no header", e.key, n.id)
	}
	inner := append(path[:len(path):len(path)], e.key)
	if root := binary.LittleEndian.Uint64(v); root != 0 {
		return w.into(root, inner, depth+1)
	}
	in := &node{id: n.id, first: v[16:], size: int64(len(v) - 16)}
	if err := in.parse(); err != nil {
		return err
	}
	if err := in.order(nil, nil); err != nil {
		return err
	}
	for i := range in.elems {
		if in.branch || in.elems[i].flags != 0 {
			return badf("bucket %q on page %d holds what it cannot", e.key, n.id)
		}
	}
	return w.below(in, inner, nil, depth+1)
}

// into goes into a bucket with a root page of its own, as far as it is to.
func (w *walker) into(root uint64, path [][]byte, below int) error {
	before := w.edges
	defer func() { w.edges = before }()
	if w.depth != nil {
		far := w.depth(path)
		if far == notAtAll {
			return nil
		}
		w.edges = far == atEdges
	}
	return w.page(root, path, nil, nil, below)
}

// setFreelist makes m say what pages are free, where it stands. A list in the file is not
// believed, since the library would write over whatever it names: with none, the library
// looks for free pages through all of the file as it opens it. With an empty one, on a
// page of its own behind all others, it knows of none, and need not look. The other root
// stays as it is.
func setFreelist(f *os.File, m fileMeta, empty bool) error {
	if !empty && m.freelist == noFreelist {
		return nil
	}
	le := binary.LittleEndian
	b := make([]byte, pageSize)
	if _, err := f.ReadAt(b, m.slot*pageSize); err != nil {
		return err
	}
	d := b[pageHeader:]
	le.PutUint64(d[32:], noFreelist)
	if empty {
		list := le.AppendUint64(make([]byte, 0, pageSize), m.pages)
		list = le.AppendUint16(list, flagFree)[:pageSize]
		if _, err := f.WriteAt(list, int64(m.pages)*pageSize); err != nil {
			return err
		}
		if err := f.Sync(); err != nil {
			return err
		}
		le.PutUint64(d[32:], m.pages)
		le.PutUint64(d[40:], m.pages+1)
	}
	le.PutUint64(d[56:], metaSum(d))
	if _, err := f.WriteAt(b, m.slot*pageSize); err != nil { // all of it lies in one sector
		return err
	}
	return f.Sync()
}
