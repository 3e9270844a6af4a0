package configs

import (
	"errors"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

func TestFormatLimits(t *testing.T) {
	c := decodeOK(t, quietRoom("name = \"Moss\"\nrack = \"r\"\nshelf = 2\nslot = 1\nceiling = \"29.5 °C\"\n", `
[[enclosure]]
id = "cups"
species = "oophaga-pumilio"
stage = "tadpole"
mist = "m"
[[mist]]
id = "m"
times = ["08:00", "20:00"]
[[probe]]
id = "w"
family = "simulated"
place = "water"
enclosure = "cups"
`))
	var b strings.Builder
	if err := FormatLimits(&b, c, time.Date(2026, 11, 28, 12, 0, 0, 0, time.UTC)); err != nil {
		t.Fatal(err)
	}
	const want = `Limits in force in room "room" on 28 November 2026.
Each is a default, not veterinary advice, and can be changed.

a (Moss): Dendrobates auratus, adult, rack r, shelf 2, slot 1
  heat      worth a look 27.5 °C [C], act now 28.5 °C [C], lethal limit 29.5 °C
            [K]
  cold      worth a look 17 °C [C], act now 15 °C [C]
  band      day 21–26 °C [C], night 18–22 °C [C], night drop 2 °C or more [C]
  humidity  floor 70 % [C], urgent under 60 % [C]
  exposure  counts above 28 °C, reference 2 h at 32 °C, tenfold per 3 °C; a
            relative dose, never a safe time [E]
  schedule  lamps on 08:00-20:00, no misting schedule

cups (cups): Oophaga pumilio, tadpole
  heat      worth a look 26 °C [C], act now 27.5 °C [O], lethal limit 28.5 °C
            [O]
  cold      worth a look 18 °C [C], act now 15 °C [C]
  band      day 22–26 °C [C], night 20–23 °C [C], no night drop wanted
  humidity  no floor
  exposure  counts above 27 °C, reference 2 h at 29 °C, tenfold per 3 °C; a
            relative dose, never a safe time [E]
  schedule  no lamp schedule, mist at 08:00, 20:00

Sources:
  [C] common practice, no source
  [E] judgement: a yardstick to compare hours by, never a safe time; tenfold per
      3 °C and doses that add up: Jorgensen et al. 2022, Nature 611:93, and
      2021, Sci Rep, 10.1038/s41598-021-92004-6
  [K] set by the keeper
  [O] judgement, under the frogs' own loss of righting at 29.1-31.7 °C
      (Rivera-Ordonez 2019, Biotropica 51:747; Nowakowski 2016,
      10.1111/cobi.12769); in pasture the air stood at 29.5 °C and the frogs at
      26.6 °C
`
	if b.String() != want {
		t.Errorf("got:\n%s\nwant:\n%s", b.String(), want)
	}
}

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

// A terminal has 80 columns; one long word may need more.
func TestLimitsFitATerminal(t *testing.T) {
	var b strings.Builder
	if err := FormatLimits(&b, decodeOK(t, string(exampleTOML)), time.Now()); err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(b.String()) {
		if utf8.RuneCountInString(line) > columns+1 { // and the line's end
			t.Errorf("too wide: %s", line)
		}
	}
	b.Reset()
	long := strings.Repeat("x", 100)
	wrap(&b, "one "+long+" two", "  ")
	if want := "one\n  " + long + " two\n"; b.String() != want {
		t.Errorf("got %q, want %q", b.String(), want)
	}
}

type brokenPipe struct{}

func (brokenPipe) Write([]byte) (int, error) { return 0, errors.New("broken pipe") }

func TestFormatLimitsSaysWhatFailed(t *testing.T) {
	err := FormatLimits(brokenPipe{}, decodeOK(t, minimalRoom), time.Time{})
	if err == nil || err.Error() != "write the limits in force: broken pipe" {
		t.Errorf("got %v", err)
	}
}

// An age reads as a person says it, and a day to come is doubted.
func TestAge(t *testing.T) {
	for days, want := range map[int]string{0: " 0 days out of the water", 1: " 1 day out of the water", 13: " 1 week out of the water", 46: " 6 weeks out of the water", -319: ", out of the water only in 319 days: is out_of_water right?"} {
		if got := age(days); got != want {
			t.Errorf("%d days: %q, want %q", days, got, want)
		}
	}
}

// An id that is empty has no wrong letters.
func TestEmptyID(t *testing.T) {
	_, err := Decode("f", []byte("[room]\nid = \"\"\n"), testFamilies)
	if err == nil || !strings.Contains(err.Error(), "f:2:1: the id is empty; write") {
		t.Errorf("%v", err)
	}
}
