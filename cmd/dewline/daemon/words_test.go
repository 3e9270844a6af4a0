package daemon

import (
	"strings"
	"testing"
	"unicode/utf8"
)

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
