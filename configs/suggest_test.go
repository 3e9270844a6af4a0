package configs

import "testing"

// Worked examples: Wagner and Fischer 1974, JACM 21:168 (kitten, sitting is
// from memory); the optimal string alignment of "ca" and "abc" is 3, as a
// substring is edited only once (Boytsov 2011, JEA 16).
func TestEditDistance(t *testing.T) {
	for _, x := range []struct {
		a, b string
		want int
	}{
		{"kitten", "sitting", 3}, {"ca", "abc", 3}, {"ac", "ca", 1}, {"", "abc", 3}, {"abc", "", 3}, {"same", "same", 0},
	} {
		if got := editDistance(x.a, x.b); got != x.want {
			t.Errorf("%q to %q: %d, want %d", x.a, x.b, got, x.want)
		}
	}
}

func TestNearest(t *testing.T) {
	names := []string{"shelf", "slot", "species", "stage", "floor"}
	for got, want := range map[string]string{
		"flor": "floor", "Shelf": "shelf", "specie": "species", "stgae": "stage", "colour": "", "s": "", "xx": "",
		"selves-and-more": "",
	} {
		if n := nearest(got, names); n != want {
			t.Errorf("%q: %q, want %q", got, n, want)
		}
	}
}

func TestListedNamesEachOnce(t *testing.T) {
	if got := listed([]string{"b", "a", "b"}); got != `"a", "b"` {
		t.Errorf("%s", got)
	}
}
