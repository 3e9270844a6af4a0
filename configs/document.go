package configs

import (
	"sort"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2/unstable"
)

// position counts from 1, and columns in characters as an editor does.
type position struct{ line, col int }

// element is one value or table of the source with its place. go-toml decodes
// straight into structs and forgets the places, but a fault that shows only
// when two sections are compared needs them.
type element struct {
	key   position // of its key or header; of the value itself in an array
	value position
	kind  unstable.Kind
	text  string         // of a scalar, decoded
	raw   unstable.Range // where that stands
	// A table's keys in the order of the source.
	names  []string
	fields map[string]*element
	items  []*element // of an array or an array of tables
	// bad is set once a fault was reported here, so that no check adds a
	// second one that only follows from the first.
	bad bool
}

func newTable(at position) *element {
	return &element{key: at, value: at, kind: unstable.Table, fields: map[string]*element{}}
}

// at is the key that a fault is about, or the table that lacks it.
func (e *element) at(path ...string) *element {
	for _, name := range path {
		next := e.fields[name]
		if next == nil {
			return e
		}
		e = next
	}
	return e
}

func (e *element) Has(key string) bool { return e.fields[key] != nil }

// faulty reports whether the value of the key was refused already.
func (e *element) faulty(key string) bool { return e.bad || (e.Has(key) && e.fields[key].bad) }

// spoilt reports whether e or any of its keys was refused.
func (e *element) spoilt() bool {
	for _, child := range e.fields {
		if child.bad {
			return true
		}
	}
	return e.bad
}

// item is an empty table where the source has none.
func (e *element) item(key string, i int) *element {
	if list := e.fields[key]; list != nil && i < len(list.items) {
		return list.items[i]
	}
	return newTable(position{1, 1})
}

// set adds a key to a table, in the order of the source.
func (e *element) set(name string, child *element) {
	if e.fields == nil {
		e.fields = map[string]*element{}
	}
	if !e.Has(name) {
		e.names = append(e.names, name)
	}
	e.fields[name] = child
}

// indexer builds the tree of elements from source that go-toml has accepted.
type indexer struct {
	parser unstable.Parser
	data   []byte
	starts []int // offsets of the lines, for placeAt
}

// indexDocument returns the tree of data, which must be valid TOML.
func indexDocument(data []byte) (*element, error) {
	x := &indexer{data: data, starts: lineStarts(data)}
	root := newTable(position{1, 1})
	current := root
	x.parser.Reset(data)
	for x.parser.NextExpression() {
		switch node := x.parser.Expression(); node.Kind {
		case unstable.Table:
			current = x.descend(root, node, false)
		case unstable.ArrayTable:
			current = x.descend(root, node, true)
		case unstable.KeyValue:
			x.keyValue(current, node)
		}
	}
	return root, x.parser.Error()
}

func (x *indexer) descend(root *element, header *unstable.Node, array bool) *element {
	e := root
	for keys := header.Key(); keys.Next(); {
		name, at := string(keys.Node().Data), x.position(keys.Node().Raw)
		child := e.fields[name]
		last := keys.IsLast()
		switch {
		case child == nil && last && array:
			child = &element{key: at, value: at, kind: unstable.Array}
			e.set(name, child)
		case child == nil:
			child = newTable(at)
			e.set(name, child)
		}
		if last && array {
			child.items = append(child.items, newTable(at))
		}
		// A header under [[x]] belongs to the x that was opened last.
		if n := len(child.items); n > 0 {
			child = child.items[n-1]
		}
		e = child
	}
	return e
}

// keyValue adds one assignment to table; a dotted key opens tables on its way.
func (x *indexer) keyValue(table *element, node *unstable.Node) {
	for keys := node.Key(); keys.Next(); {
		name, at := string(keys.Node().Data), x.position(keys.Node().Raw)
		if keys.IsLast() {
			child := x.valueOf(node.Value(), at)
			child.key = at
			table.set(name, child)
			return
		}
		if !table.Has(name) {
			table.set(name, newTable(at))
		}
		table = table.fields[name]
	}
}

// valueOf is at fallback where the parser gives no place.
func (x *indexer) valueOf(node *unstable.Node, fallback position) *element {
	at := fallback
	if node.Raw.Length > 0 {
		at = x.position(node.Raw)
	}
	e := &element{key: at, value: at, kind: node.Kind}
	switch node.Kind {
	case unstable.Array:
		for it := node.Children(); it.Next(); {
			e.items = append(e.items, x.valueOf(it.Node(), at))
		}
	case unstable.InlineTable:
		e.kind = unstable.Table
		for it := node.Children(); it.Next(); {
			x.keyValue(e, it.Node())
		}
	default:
		e.text, e.raw = string(node.Data), node.Raw
	}
	return e
}

func (x *indexer) position(r unstable.Range) position {
	return placeAt(x.data, x.starts, int(r.Offset))
}

func lineStarts(data []byte) []int {
	starts := []int{0}
	for i, b := range data {
		if b == '\n' {
			starts = append(starts, i+1)
		}
	}
	return starts
}

// placeAt turns an offset into line and column, counted in characters.
func placeAt(data []byte, starts []int, offset int) position {
	line := sort.SearchInts(starts, offset+1)
	begin := starts[line-1]
	return position{line: line, col: 1 + utf8.RuneCount(data[begin:min(offset, len(data))])}
}
