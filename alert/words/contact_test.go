package words_test

import (
	"testing"
	"time"

	"dewline/alert/words"
)

// Every sense has words for both of what it says.
func TestContact(t *testing.T) {
	seen := map[string]bool{}
	for _, is := range []string{"mains", "pump", "reservoir", "door"} {
		for _, active := range []bool{true, false} {
			text := words.Contact(is, active, 2*time.Hour)
			if seen[text] || text == ", for 2 h" {
				t.Errorf("%s, %v: %q", is, active, text)
			}
			seen[text] = true
		}
	}
	if !seen["the mains are away, for 2 h"] {
		t.Errorf("%v", seen)
	}
	if got := words.Battery(3.21, "V", true); got != "3.21 V, low" {
		t.Errorf("%q", got)
	}
}
