package remote

import (
	"fmt"
	"strconv"
	"strings"
)

// A Pointer is a parsed JSON pointer (RFC 6901). The zero value points at the
// whole document.
type Pointer struct {
	text   string
	tokens []string
}

// ParsePointer parses "" or "/a/b/0", with ~1 for a slash and ~0 for a tilde
// inside a name.
func ParsePointer(s string) (Pointer, error) {
	if s == "" {
		return Pointer{}, nil
	}
	if s[0] != '/' {
		return Pointer{}, fmt.Errorf("JSON pointer %q must begin with a slash, such as %q", s, "/"+s)
	}
	tokens := strings.Split(s[1:], "/")
	for i, t := range tokens {
		for j := range len(t) {
			if t[j] == '~' && (j+1 == len(t) || t[j+1] != '0' && t[j+1] != '1') {
				return Pointer{}, fmt.Errorf("JSON pointer %q: a tilde is written ~0 and a slash inside a name ~1", s)
			}
		}
		// In this order, or ~01 would become a slash (RFC 6901, section 4).
		tokens[i] = strings.ReplaceAll(strings.ReplaceAll(t, "~1", "/"), "~0", "~")
	}
	return Pointer{text: s, tokens: tokens}, nil
}

// String returns the pointer as it was written.
func (p Pointer) String() string { return p.text }

// Find returns the value that p points at in a document of encoding/json's
// types.
func (p Pointer) Find(doc any) (any, error) {
	for i, token := range p.tokens {
		next, ok := child(doc, token)
		if !ok {
			return nil, fmt.Errorf("nothing is at %q (the part %d, %q, is missing)", p.text, i+1, token)
		}
		doc = next
	}
	return doc, nil
}

func child(doc any, token string) (any, bool) {
	switch d := doc.(type) {
	case map[string]any:
		v, ok := d[token]
		return v, ok
	case []any:
		// An index has no sign and no leading zero (RFC 6901, section 4).
		i, err := strconv.ParseUint(token, 10, 31)
		if err != nil || i >= uint64(len(d)) || strconv.FormatUint(i, 10) != token {
			return nil, false
		}
		return d[i], true
	}
	return nil, false
}
