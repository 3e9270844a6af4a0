package corpus

import (
	"bufio"
	_ "embed"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// The halves of the cases. What is untouched is never looked into while
// somebody tunes; only its rows of the table are read, after the tuning.
const (
	tuned     = "tuned"
	untouched = "untouched"
)

//go:embed testdata/cases.txt
var casesFile string

// cases reads testdata/cases.txt: half, generator, seed, kind.
func cases(t *testing.T, half string) (list []caseID) {
	t.Helper()
	in := bufio.NewScanner(strings.NewReader(casesFile))
	for in.Scan() {
		f := strings.SplitN(in.Text(), "\t", 4)
		if len(f) != 4 || strings.HasPrefix(f[0], "#") {
			continue
		}
		seed, err := strconv.ParseUint(f[2], 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		if f[0] == half {
			list = append(list, caseID{half: f[0], gen: f[1][0], seed: seed, kind: f[3]})
		}
	}
	return list
}

// TestTable prints the table of one half; .ci/corpus calls it. With
// DEWLINE_CORPUS_KIND it prints every transition of the tuned cases of the kinds that begin so.
func TestTable(t *testing.T) {
	half, one := os.Getenv("DEWLINE_CORPUS"), os.Getenv("DEWLINE_CORPUS_KIND")
	if half == "" {
		t.Skip("the whole table takes minutes: .ci/corpus")
	}
	if one != "" && half != tuned {
		t.Fatal("nobody looks into the untouched half")
	}
	var all []*outcome
	missing := 0
	for _, c := range cases(t, half) {
		if one != "" && !strings.HasPrefix(c.kind, one) {
			continue
		}
		o, err := play(c)
		if errors.Is(err, errNoOpenData) {
			missing++
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, o)
		if one != "" {
			fmt.Printf("%s %c %d: told at %v, due at %v, %+v\n  %s\n", c.kind, c.gen, c.seed, o.told, o.due, o.first, strings.Join(o.rows, "\n  "))
		}
	}
	if missing > 0 {
		fmt.Printf("%d cases left out: %v\n\n", missing, errNoOpenData)
	}
	printTable(half, all)
}

// A few cases hold in every run of the tests: what must never fail.
func TestSlice(t *testing.T) {
	skipUnderRace(t)
	for _, c := range slice {
		t.Run(fmt.Sprintf("%s %c %d", c.kind, c.gen, c.seed), func(t *testing.T) {
			o, err := playOnce(c)
			if errors.Is(err, errNoOpenData) {
				t.Skip(err)
			}
			if err != nil {
				t.Fatal(err)
			}
			if o.wakes > 0 {
				t.Errorf("woke somebody %d times while nothing was wrong:\n%s", o.wakes, strings.Join(o.rows, "\n"))
			}
			if o.lethalFirst != o.lethal || o.f.heat && o.lethal == 0 {
				t.Errorf("%d of %d tanks told on the first lethal reading:\n%s", o.lethalFirst, o.lethal, strings.Join(o.rows, "\n"))
			}
			if o.f.want != nil && o.told < 0 {
				t.Errorf("never told:\n%s", strings.Join(o.rows, "\n"))
			}
		})
	}
}

var slice = []caseID{
	{tuned, "heat, first day", 'p', 1}, {tuned, "heat, first day", 's', 1},
	{tuned, "heat, straight 30 °C/h", 'p', 1}, {tuned, "heat, straight 15 °C/h", 's', 1},
	{tuned, "heat, bad input", 's', 1}, {tuned, "cooling fails, hot day", 'p', 1},
	{tuned, "probe silent", 'p', 1}, {tuned, "open room, heat", 'o', 1},
	{tuned, "healthy, late readings", 'p', 1}, {tuned, "healthy, late readings", 's', 1},
}

func TestSameSeedSameOutcome(t *testing.T) {
	skipUnderRace(t)
	for _, gen := range []byte{'p', 's'} {
		c := caseID{tuned, "heat, first day", gen, 1}
		a, err := playOnce(c)
		if err != nil {
			t.Fatal(err)
		}
		b, err := play(c)
		if err != nil {
			t.Fatal(err)
		}
		if len(a.rows) == 0 || !slices.Equal(a.rows, b.rows) {
			t.Errorf("%c: %d and %d rows", gen, len(a.rows), len(b.rows))
		}
	}
}

// Every case names a kind and a generator that it is for, once, and the halves
// share no seed.
func TestCases(t *testing.T) {
	half := map[string]string{}
	for _, name := range []string{tuned, untouched} {
		list := cases(t, name)
		if len(list) < 40 {
			t.Errorf("%s: %d cases", name, len(list))
		}
		for _, c := range list {
			k := kindOf(c.kind)
			if k == nil || !strings.ContainsRune(k.by, rune(c.gen)) {
				t.Fatalf("%+v: no such kind", c)
			}
			key := fmt.Sprint(c.kind, c.gen, c.seed)
			if half[key] != "" {
				t.Errorf("%+v is there twice", c)
			}
			half[key] = name
		}
	}
}

// Saturation over water: 2.3392 kPa at 20 °C and 4.2469 at 30 by Wagner and
// Pruss (J Phys Chem Ref Data 31:387, 2002).
func TestSaturatedKPa(t *testing.T) {
	for at, want := range map[float64]float64{20: 2.3392, 30: 4.2469} {
		for _, got := range []float64{saturatedKPa(at), vapourOver(at) / 10} {
			if math.Abs(got-want) > 0.003*want {
				t.Errorf("%v °C: %v, want %v", at, got, want)
			}
		}
	}
}

// A healthy room of any generator is one that frogs are kept in: 17 to 28 °C,
// and 65 % and more in nine minutes of ten; common practice, no source.
func TestHealthyRoomsAreHealthy(t *testing.T) {
	for _, gen := range []byte{'p', 's', 'r'} {
		for _, c := range cases(t, tuned) {
			if c.kind != "healthy" && !strings.HasPrefix(c.kind, "rack, healthy") || c.gen != gen {
				continue
			}
			low, high, damp := truths(t, c)
			t.Logf("%c %d %s: %.1f to %.1f °C, %.0f %% damp", gen, c.seed, c.kind, low, high, 100*damp)
			if low < 17 || high > 28 || damp < 0.9 {
				t.Errorf("%c %d: %.1f to %.1f °C, %.0f %% of the time damp", gen, c.seed, low, high, 100*damp)
			}
		}
	}
}

func skipUnderRace(t *testing.T) {
	if raceOn {
		t.Skip("simulated days of a single-threaded engine: run without -race")
	}
}
