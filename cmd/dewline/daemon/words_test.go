package daemon

import (
	"strings"
	"testing"
	"unicode/utf8"
)

// A place that nobody has written is not rack nothing, shelf 0.
func TestPlaceWords(t *testing.T) {
	for _, c := range []struct {
		rack        string
		shelf, slot int
		want        string
	}{
		{"", 0, 0, ""}, {"", 2, 0, "shelf 2"}, {"a", 0, 0, "rack a"}, {"a", 1, 3, "rack a, shelf 1, slot 3"},
	} {
		if got := PlaceWords(c.rack, c.shelf, c.slot); got != c.want {
			t.Errorf("%q %d %d: %q, want %q", c.rack, c.shelf, c.slot, got, c.want)
		}
	}
}

// What a stranger sent is cut in bytes, whatever its letters are, and between
// letters.
func TestShort(t *testing.T) {
	for _, s := range []string{strings.Repeat("x", 300), strings.Repeat("🐸", 60), "a" + strings.Repeat("ü", 150)} {
		got := short(s)
		if len(got) > maxRefused || len(got) < maxRefused-4 || !utf8.ValidString(got) || !strings.HasSuffix(got, "…") {
			t.Errorf("%d bytes of %q", len(got), got)
		}
	}
	if s := strings.Repeat("x", maxRefused); short(s) != s {
		t.Error("what fits is cut")
	}
}
