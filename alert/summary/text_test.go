package summary

import (
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the golden files anew")

// TestTextGolden compares the plain text of the known week, in both units.
func TestTextGolden(t *testing.T) {
	_, r := eventful(t)
	for name, u := range map[string]Units{"week.txt": Celsius, "week-fahrenheit.txt": Fahrenheit} {
		got := r.Text(u)
		file := filepath.Join("testdata", name)
		if *update {
			if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(string(want), got); d != "" {
			t.Errorf("%s (go test -run TestTextGolden -update ./alert/summary writes it anew):\n%s", file, d)
		}
	}
}

// TestTextForm: what a mail program shows of plain text is what was written.
func TestTextForm(t *testing.T) {
	_, r := eventful(t)
	r.Enclosures[0].Name = "Bad\x1b[31m\r\nSubject: x"
	for _, u := range []Units{Celsius, Fahrenheit} {
		text := r.Text(u)
		for i, line := range strings.Split(text, "\n") {
			if n := utf8.RuneCountInString(line); n > textWidth {
				t.Errorf("line %d has %d characters: %q", i+1, n, line)
			}
			if strings.ContainsFunc(line, func(c rune) bool { return c < ' ' || c == 0x7f || c == '\u00a0' }) {
				t.Errorf("line %d holds control characters or odd spaces: %q", i+1, line)
			}
		}
		if !utf8.ValidString(text) {
			t.Error("not UTF-8")
		}
		if u == Fahrenheit && strings.Contains(text, "°C\n") {
			t.Error("a temperature in °C for a reader of °F")
		}
	}
	if strings.ContainsAny(r.Subject(), "\r\n\x01") {
		t.Errorf("subject %q", r.Subject())
	}
}

// TestNeverSafe: no summary claims that a temperature or time is safe, but for
// the caution that says so.
func TestNeverSafe(t *testing.T) {
	_, r := eventful(t)
	text := strings.Join(strings.Fields(r.Text(Celsius)), " ")
	text = strings.ReplaceAll(text, strings.Join(strings.Fields(caution), " "), "")
	if m := regexp.MustCompile(`(?i)\bsafe|harmless|no danger|guarantee`).FindString(text); m != "" {
		t.Errorf("the summary says %q", m)
	}
}

func TestSpans(t *testing.T) {
	plainSpaces := func(s string) string { return strings.ReplaceAll(s, nbsp, " ") }
	for minutes, want := range map[float64]string{
		0: "0 min", 0.4: "0 min", 59.4: "59 min", 59.6: "1 h", 60: "1 h", 61: "1 h 1 min", 1500: "25 h", 2880: "2 days 0 h", 10080: "7 days 0 h",
	} {
		if got := plainSpaces(span(minutes)); got != want {
			t.Errorf("%v min is %q, want %q", minutes, got, want)
		}
	}
	for f, want := range map[float64]string{0: "0 %", 0.001: "under 1 %", 0.5: "50 %", 0.9999: "over 99 %", 1: "100 %", 4.64: "464 %"} {
		if got := plainSpaces(share(f)); got != want {
			t.Errorf("%v is %q, want %q", f, got, want)
		}
	}
	// 0 °C is 32 °F and 100 °C is 212 °F; a difference has no offset.
	if got := plainSpaces(Fahrenheit.temp(100) + " " + Fahrenheit.delta(10)); got != "212.0 °F 18.0 °F" {
		t.Error(got)
	}
	if got := plainSpaces(inUnits("from "+tempMark(0)+" by "+deltaMark(1), Fahrenheit)); got != "from 32.0 °F by 1.8 °F" {
		t.Error(got)
	}
}
