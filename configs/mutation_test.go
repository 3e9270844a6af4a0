package configs

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
	"testing"
)

// assignment is a line of the example that gives a key a value.
var assignment = regexp.MustCompile(`^([a-z_]+) = (.+?)( +#.*)?$`)

// exampleLines returns the example line by line, and which of them assign.
func exampleLines() (lines []string, keys map[int][]string) {
	lines = strings.Split(string(exampleTOML), "\n")
	keys = map[int][]string{}
	for i, line := range lines {
		if m := assignment.FindStringSubmatch(line); m != nil {
			keys[i] = m
		}
	}
	return lines, keys
}

// mutated decodes the example with one line replaced.
func mutated(lines []string, i int, line string) Faults {
	changed := append([]string(nil), lines...)
	changed[i] = line
	_, err := Decode("f", []byte(strings.Join(changed, "\n")), testFamilies)
	var faults *Faults
	if errors.As(err, &faults) {
		return *faults
	}
	return nil
}

// A letter left out of any key, in any section, is found at its place, and the
// right key is proposed. Below four letters a typing error can be any word.
func TestEveryMistypedKeyIsNamed(t *testing.T) {
	lines, keys := exampleLines()
	if len(keys) < 120 {
		t.Fatalf("the example has only %d keys", len(keys))
	}
	for i, m := range keys {
		key := m[1]
		if len(key) < 4 {
			continue
		}
		wrong := key[:1] + key[2:]
		want := fmt.Sprintf("f:%d:1: unknown key %q", i+1, wrong)
		faults := mutated(lines, i, wrong+" = "+m[2])
		if !hasFault(faults, want, fmt.Sprintf("did you mean %q?", key)) {
			t.Errorf("%s mistyped as %s: got\n%v", key, wrong, faults)
		}
	}
}

func hasFault(faults Faults, start, end string) bool {
	for _, f := range faults {
		if s := f.String(); strings.HasPrefix(s, start) && strings.HasSuffix(s, end) {
			return true
		}
	}
	return false
}

// No key takes a date, a list of lists or an empty section; each is refused at
// its own line.
func TestEveryKeyRefusesOtherKinds(t *testing.T) {
	lines, keys := exampleLines()
	for i, m := range keys {
		for _, value := range []string{"1979-05-27", "[[1]]", "{ a = 1 }"} {
			faults := mutated(lines, i, m[1]+" = "+value)
			if !hasFault(faults, fmt.Sprintf("f:%d:", i+1), "") {
				t.Errorf("%s = %s is taken: %v", m[1], value, faults)
			}
		}
	}
}

// No quantity is taken without its unit, wherever it stands.
func TestEveryQuantityNeedsItsUnit(t *testing.T) {
	lines, keys := exampleLines()
	quantity := regexp.MustCompile(`^"[0-9.-]+ ?(°C|F|%|L|gal|s|min|h|days|months|years)"$`)
	tried := 0
	for i, m := range keys {
		if !quantity.MatchString(m[2]) {
			continue
		}
		tried++
		bare := regexp.MustCompile(`[^0-9.-]`).ReplaceAllString(m[2], "")
		for _, value := range []string{bare, `"` + bare + `"`} {
			if strings.Contains(bare, "-") && value == bare {
				continue // a range is no number of TOML's
			}
			faults := mutated(lines, i, m[1]+" = "+value)
			if len(faults) == 0 || faults[0].Line != i+1 || !strings.Contains(faults[0].What, "has no unit") {
				t.Errorf("%s = %s: %v", m[1], value, faults)
			}
		}
	}
	if tried < 30 {
		t.Errorf("only %d quantities tried", tried)
	}
}

// Every value wrong at the same time: every line is told, in one go, and in
// the order of the file.
func TestAllFaultsAtOnce(t *testing.T) {
	lines, keys := exampleLines()
	for i, m := range keys {
		lines[i] = m[1] + " = 1979-05-27"
	}
	_, err := Decode("f", []byte(strings.Join(lines, "\n")), testFamilies)
	var faults *Faults
	if !errors.As(err, &faults) {
		t.Fatalf("no faults: %v", err)
	}
	told := map[int]int{}
	last := 0
	for _, f := range *faults {
		told[f.Line-1]++
		if f.Line < last {
			t.Errorf("%v comes after line %d", f, last)
		}
		last = f.Line
	}
	for i := range keys {
		if told[i] != 1 {
			t.Errorf("line %d, %q, is told %d times", i+1, lines[i], told[i])
		}
	}
}

// A line left out either does no harm or is told; nothing panics and no fault
// points outside the file.
func TestAnyLineMayBeMissing(t *testing.T) {
	lines, _ := exampleLines()
	for i := range lines {
		for _, f := range mutated(lines, i, "") {
			if f.Line < 1 || f.Line > len(lines) || f.Col < 1 || f.What == "" || f.Do == "" {
				t.Errorf("without line %d: %+v", i+1, f)
			}
		}
	}
}
