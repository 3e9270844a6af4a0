package summary

import (
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules/alarm"
)

var update = flag.Bool("update", false, "write the golden files anew")

// TestTextGolden compares the plain text of the known week, in both units.
func TestTextGolden(t *testing.T) {
	_, r := eventful(t)
	for name, u := range map[string]unit.Scale{"week.txt": unit.Celsius, "week-fahrenheit.txt": unit.Fahrenheit} {
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
	for _, u := range []unit.Scale{unit.Celsius, unit.Fahrenheit} {
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
		if u == unit.Fahrenheit && strings.Contains(text, "°C\n") {
			t.Error("a temperature in °C for a reader of °F")
		}
	}
	if strings.ContainsAny(r.Subject(), "\r\n") {
		t.Errorf("subject %q", r.Subject())
	}
}

// TestJSONForm: programs read whole sentences, in the units they asked for.
func TestJSONForm(t *testing.T) {
	_, r := eventful(t)
	for u, other := range map[unit.Scale]string{unit.Celsius: "°F", unit.Fahrenheit: "°C"} {
		b, err := json.Marshal(r.In(u))
		if err != nil {
			t.Fatal(err)
		}
		if s := string(b); !strings.Contains(s, u.Name()) || strings.Contains(s, other) {
			t.Errorf("for %v: %s", u, s)
		}
	}
}

// TestNeverSafe: no summary claims that a temperature or time is safe, but for
// the caution that says so.
func TestNeverSafe(t *testing.T) {
	_, r := eventful(t)
	text := strings.Join(strings.Fields(r.Text(unit.Celsius)), " ")
	text = strings.ReplaceAll(text, strings.Join(strings.Fields(caution), " "), "")
	if m := regexp.MustCompile(`(?i)\bsafe|harmless|no danger|guarantee`).FindString(text); m != "" {
		t.Errorf("the summary says %q", m)
	}
}

func TestSpans(t *testing.T) {
	plainSpaces := func(s string) string { return strings.ReplaceAll(s, nbsp, " ") }
	for minutes, want := range map[float64]string{
		0: "0 s", 0.4: "24 s", 59.4: "59 min", 59.6: "60 min", 60: "60 min", 181: "3 h", 1500: "25 h", 2880: "2 days", 10080: "7 days",
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
	if got := plainSpaces(degrees(100, unit.Fahrenheit) + " " + delta(10, unit.Fahrenheit)); got != "212.0 °F 18.0 °F" {
		t.Error(got)
	}
}

// No alarm is told by its identifier.
func TestWhat_hasWordsForEveryAlarm(t *testing.T) {
	for _, id := range []alarm.ID{
		alarm.LethalLimit, alarm.LethalAhead, alarm.Exposure, alarm.AboveBand, alarm.BelowBand, alarm.HumidityFloor,
		alarm.NightDrop, alarm.MistMissing, alarm.MistWeak, alarm.MistEndless, alarm.DryDown, alarm.DoorAjar, alarm.LampStuck,
		alarm.ProbeSilent, alarm.ProbeFrozen, alarm.ProbeWet, alarm.ProbeJump, alarm.ProbeDisagrees, alarm.ProbeClock,
		alarm.ProbeOverdue, alarm.DeliveryStalled, alarm.RecordIncomplete, alarm.ClockUnset, alarm.BlindPeriod,
		alarm.DrillOverdue, alarm.ConfigRefused, alarm.CertificateDue,
	} {
		if words.Headline(id) == string(id) {
			t.Errorf("%s has no words", id)
		}
	}
}

// A day of another week is told by its date, since its name says too little.
func TestExcursion_when(t *testing.T) {
	at := func(day, hour int) time.Time { return time.Date(2026, time.November, day, hour, 5, 0, 0, time.UTC) }
	for _, c := range []struct {
		x    Excursion
		want string
	}{
		{Excursion{From: at(21, 13), To: at(21, 19)}, "Sat 13:05 – 19:05"},
		{Excursion{From: at(21, 22), To: at(22, 3)}, "Sat 22:05 – Sun 03:05"},
		{Excursion{From: at(22, 23)}, "Sun 23:05, still going on"},
		{Excursion{From: at(7, 22), To: at(16, 3), began: true}, "7 November 22:05 – Mon 03:05"},
		{Excursion{From: at(7, 22), began: true}, "7 November 22:05, still going on"},
	} {
		if got := c.x.When(); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

// What a picture says to those who do not see it is in the reader's unit too.
func TestPictures_wordsInTheReadersUnit(t *testing.T) {
	_, r := eventful(t)
	for u, want := range map[unit.Scale]string{unit.Celsius: "highest 30.5\u00a0°C", unit.Fahrenheit: "highest 86.9\u00a0°F"} {
		pics, err := r.Pictures(u)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(pics[0].Alt, want) {
			t.Errorf("%q does not say %q", pics[0].Alt, want)
		}
	}
}

// Where nobody wrote the place, none is made up.
func TestText_placeThatNobodyWrote(t *testing.T) {
	for _, x := range []struct {
		e    Enclosure
		want string
	}{
		{Enclosure{Name: "Moss"}, "\nMoss:\n"},
		{Enclosure{Name: "Moss", Rack: "a", Shelf: 2, Slot: 1}, "\nMoss (rack a, shelf 2, slot 1):\n"},
	} {
		r := Report{Enclosures: []Enclosure{x.e}}
		if got := r.Text(unit.Celsius); !strings.Contains(got, x.want) {
			t.Errorf("got %q, want %q in it", got, x.want)
		}
	}
}

// What was for the week only is one line for each alarm; what was told is one each.
func TestExcursionLines_OneForAHabit(t *testing.T) {
	at := time.Date(2026, 6, 1, 22, 0, 0, 0, time.UTC)
	var list []Excursion
	for day := range 5 {
		from := at.AddDate(0, 0, day)
		list = append(list, Excursion{Alarm: alarm.AboveBand, Priority: alarm.Note, From: from, To: from.Add(2 * time.Hour)})
	}
	list = append(list, Excursion{Alarm: alarm.AboveBand, Priority: alarm.Today, From: at.AddDate(0, 0, 5), To: at.AddDate(0, 0, 5).Add(time.Hour)},
		Excursion{Alarm: alarm.BelowBand, Priority: alarm.Note, From: at, To: at.Add(time.Hour)})
	lines := newTeller(unit.Celsius).excursionLines(list, &Limits{})
	if len(lines) != 3 || !strings.HasSuffix(lines[0], ", and 4 more like it") || strings.Contains(lines[2], "more like it") {
		t.Errorf("%q", lines)
	}
}
