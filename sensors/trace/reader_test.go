package trace

import (
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"dewline/sensors"

	"github.com/google/go-cmp/cmp"
)

// readAll returns every row and the text of every line error.
func readAll(t testing.TB, src io.Reader, name string, loc *time.Location) (rows []Row, faults []string) {
	t.Helper()
	r, err := NewReader(src, name, loc)
	if err != nil {
		t.Fatalf("NewReader: %v", err)
	}
	for {
		row, err := r.Next()
		var bad *LineError
		switch {
		case err == io.EOF:
			return rows, faults
		case errors.As(err, &bad):
			faults = append(faults, bad.Error())
		case err != nil:
			t.Fatalf("Next: %v", err)
		default:
			rows = append(rows, row)
		}
	}
}

const both = sensors.HasTemperature | sensors.HasHumidity

func utc(y int, m time.Month, d, hh, mm, ss int) time.Time {
	return time.Date(y, m, d, hh, mm, ss, 0, time.UTC)
}

func TestReadOwnForm(t *testing.T) {
	const file = "\ufefftime,probe,temperature_c,humidity_pct\r\n" +
		"2026-07-01T13:00:00Z,a1-litter,23.45,84.1\r\n" +
		"2026-07-01T13:00:00Z,\"b,2\",-0.005,\r\n" +
		"\r\n" +
		"2026-07-01T15:00:10+02:00,a1-litter,,100\r\n" +
		"2026-07-01 13:00:20.25Z , a1-litter , +24 , 99.999 \r\n" +
		"2026-07-01T13:00:30Z,a1-litter,,"
	want := []Row{
		{Time: utc(2026, 7, 1, 13, 0, 0), Probe: "a1-litter", Has: both, Temperature: 2345, Humidity: 8410, Line: 2},
		{Time: utc(2026, 7, 1, 13, 0, 0), Probe: "b,2", Has: sensors.HasTemperature, Temperature: -1, Line: 3},
		{Time: utc(2026, 7, 1, 13, 0, 10), Probe: "a1-litter", Has: sensors.HasHumidity, Humidity: 10000, Line: 5},
		{Time: utc(2026, 7, 1, 13, 0, 20).Add(250 * time.Millisecond), Probe: "a1-litter", Has: both, Temperature: 2400, Humidity: 10000, Line: 6},
		{Time: utc(2026, 7, 1, 13, 0, 30), Probe: "a1-litter", Line: 7},
	}
	rows, faults := readAll(t, strings.NewReader(file), "trace", time.UTC)
	if diff := cmp.Diff(want, rows); diff != "" {
		t.Errorf("rows (-want +got):\n%s", diff)
	}
	if faults != nil {
		t.Errorf("faults: %q", faults)
	}
	if got := rows[0].Sample(); got != (sensors.Sample{Has: both, Temperature: 2345, Humidity: 8410}) {
		t.Errorf("sample %+v", got)
	}
}

// Columns may stand in any order and among others.
func TestReadOwnFormByName(t *testing.T) {
	const file = "probe,note,humidity_pct,time\nx,\"a \"\"dry\"\" day\",61.5,2026-01-02T03:04:05Z\n"
	rows, faults := readAll(t, strings.NewReader(file), "trace", time.UTC)
	want := []Row{{Time: utc(2026, 1, 2, 3, 4, 5), Probe: "x", Has: sensors.HasHumidity, Humidity: 6150, Line: 2}}
	if diff := cmp.Diff(want, rows); diff != "" || faults != nil {
		t.Errorf("rows (-want +got):\n%s faults %q", diff, faults)
	}
}

// Every bad line is named with its number and what is wrong, and the lines
// around it are read.
func TestBadLines(t *testing.T) {
	const good = "2026-07-01T13:00:00Z,a,23,80\n"
	for _, c := range []struct{ name, line, want string }{
		{"few fields", "2026-07-01T13:00:00Z,a,23", "tank.csv:3: 3 fields, and the header has 4"},
		{"many fields", "2026-07-01T13:00:00Z,a,23,80,1", "tank.csv:3: 5 fields, and the header has 4"},
		{"no date", "yesterday,a,23,80", `tank.csv:3: time "yesterday" is not RFC 3339 such as 2026-07-01T13:00:00Z`},
		{"30 February", "2026-02-30T13:00:00Z,a,23,80", `tank.csv:3: time "2026-02-30T13:00:00Z" is not RFC 3339 such as 2026-07-01T13:00:00Z`},
		{"hour 24", "2026-07-01T24:00:00Z,a,23,80", `tank.csv:3: time "2026-07-01T24:00:00Z" is not RFC 3339 such as 2026-07-01T13:00:00Z`},
		{"bare point", "2026-07-01T13:00:10.Z,a,23,80", `tank.csv:3: time "2026-07-01T13:00:10.Z" is not RFC 3339 such as 2026-07-01T13:00:00Z`},
		{"no probe", "2026-07-01T13:00:10Z,,23,80", "tank.csv:3: no probe is named"},
		{"odd probe", "2026-07-01T13:00:10Z,a\x01,23,80", `tank.csv:3: the probe's name "a\x01" holds what is no letter`},
		{"word", "2026-07-01T13:00:10Z,a,warm,80", `tank.csv:3: probe a: temperature "warm" is not a number such as 23.45`},
		{"not a number", "2026-07-01T13:00:10Z,a,NaN,80", `tank.csv:3: probe a: temperature "NaN" is not a number such as 23.45`},
		{"comma for point", `2026-07-01T13:00:10Z,a,"23,5",80`, `tank.csv:3: probe a: temperature "23,5" is not a number such as 23.45`},
		{"below zero kelvin", "2026-07-01T13:00:10Z,a,-273.16,80", "tank.csv:3: probe a: temperature -273.16 lies outside -273 to 1000: are the columns and units right?"},
		{"humidity", "2026-07-01T13:00:10Z,a,23,2000", "tank.csv:3: probe a: humidity 2000 lies outside -100 to 200: are the columns and units right?"},
		{"huge", "2026-07-01T13:00:10Z,a,99999999999999999999,80", `tank.csv:3: probe a: temperature "99999999999999999999" is not a number such as 23.45`},
		{"goes back", "2026-07-01T12:59:59Z,a,23,80", "tank.csv:3: time 2026-07-01T12:59:59Z goes back: an earlier line is of 2026-07-01T13:00:00Z"},
		{"twice", "2026-07-01T13:00:00Z,a,24,80", "tank.csv:3: probe a has another row of 2026-07-01T13:00:00Z already, on line 2"},
		{"far ahead", "2926-07-01T13:00:00Z,a,23,80", "tank.csv:3: time 2926-07-01T13:00:00Z lies more than a year ahead of the line before, of 2026-07-01T13:00:00Z"},
		{"open quote", `2026-07-01T13:00:10Z,"a,23,80`, "tank.csv:3: a quoted field does not end on its line"},
		{"after quote", `2026-07-01T13:00:10Z,"a"b,23,80`, "tank.csv:3: text between a closing quote and the next comma"},
		{"endless", strings.Repeat("7", 3*MaxLine), "tank.csv:3: longer than 65536 bytes"},
	} {
		t.Run(c.name, func(t *testing.T) {
			file := Header + "\n" + good + c.line + "\n2026-07-01T13:00:20Z,a,23.1,80\n"
			rows, faults := readAll(t, strings.NewReader(file), "tank.csv", time.UTC)
			if diff := cmp.Diff([]string{c.want}, faults); diff != "" {
				t.Errorf("faults (-want +got):\n%s", diff)
			}
			if len(rows) != 2 || rows[1].Line != 4 || rows[1].Temperature != 2310 {
				t.Errorf("the good lines around it: %+v", rows)
			}
		})
	}
}

// A row that is there twice says nothing new: nodes and loggers send again what nobody
// took over.
func TestTwice(t *testing.T) {
	const first, second = "2026-07-01T13:00:00Z,a,23,80\n2026-07-01T13:00:00Z,b,24,\n", "2026-07-01T13:00:10Z,a,23,80\n"
	rows, faults := readAll(t, strings.NewReader(Header+"\n"+first+first+second+second), "tank.csv", time.UTC)
	if len(faults) != 0 || len(rows) != 3 || rows[2].Line != 6 {
		t.Errorf("rows %+v, faults %q", rows, faults)
	}
}

// A bad value does not count as the probe's row of that moment.
func TestCorrectedLine(t *testing.T) {
	file := Header + "\n2026-07-01T13:00:00Z,a,2x,80\n2026-07-01T13:00:00Z,a,23,80\n"
	rows, faults := readAll(t, strings.NewReader(file), "trace", time.UTC)
	if len(rows) != 1 || len(faults) != 1 || rows[0].Line != 3 {
		t.Errorf("rows %+v, faults %q", rows, faults)
	}
}

// A refused time is refused again on the next line.
func TestStaysRefused(t *testing.T) {
	const late = "2026-07-01T12:00:00Z,"
	file := Header + "\n2026-07-01T13:00:00Z,a,23,80\n" + late + "a,1,1\n" + late + "b,1,1\n2026-07-01T13:00:00Z,b,24,80\n"
	rows, faults := readAll(t, strings.NewReader(file), "trace", time.UTC)
	if len(rows) != 2 || len(faults) != 2 || rows[1].Temperature != 2400 {
		t.Errorf("rows %+v, faults %q", rows, faults)
	}
}

// A file that was cut and goes on years later is read from the second line of
// its later part.
func TestLongGap(t *testing.T) {
	file := Header + "\n2020-01-01T00:00:00Z,a,20,80\n" +
		"2026-01-01T00:00:00Z,a,21,80\n2026-01-01T00:00:10Z,a,22,80\n2026-01-01T00:00:20Z,a,23,80\n"
	rows, faults := readAll(t, strings.NewReader(file), "trace", time.UTC)
	if len(rows) != 3 || len(faults) != 1 || rows[1].Line != 4 {
		t.Errorf("rows %+v, faults %q", rows, faults)
	}
}

// A zone that is named stands in for the zone that a time lacks. Berlin's
// clocks went forward on 29 March 2026 (IANA time zone database).
func TestNamedZone(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no zone files here:", err)
	}
	file := Header + "\n2026-03-29T01:59:50,a,23,80\n2026-03-29T03:00:00,a,23,80\n2026-03-29T01:00:10Z,a,23,80\n"
	rows, faults := readAll(t, strings.NewReader(file), "trace", berlin)
	if faults != nil || len(rows) != 3 {
		t.Fatalf("rows %+v, faults %q", rows, faults)
	}
	for i, want := range []time.Time{utc(2026, 3, 29, 0, 59, 50), utc(2026, 3, 29, 1, 0, 0), utc(2026, 3, 29, 1, 0, 10)} {
		if !rows[i].Time.Equal(want) || rows[i].Time.Location() != berlin {
			t.Errorf("row %d at %s, want %s in Berlin's time", i, rows[i].Time, want)
		}
	}
}

func TestBadHeader(t *testing.T) {
	for _, c := range []struct{ name, file, want string }{
		{"empty", "", `trace: empty, where the header "time,probe,temperature_c,humidity_pct" should stand`},
		{"other", "a,b\n", `trace:1: the header is "a,b", and should be "time,probe,temperature_c,humidity_pct"`},
		{"degrees Fahrenheit", "time,probe,temperature_f,humidity_pct\n", `trace:1: the column "temperature_f" is not read: give its values in the unit of "temperature_c", and it that name`},
		{"humidity without its unit", "time,probe,temperature_c,Humidity\n", `trace:1: the column "Humidity" is not read: give its values in the unit of "humidity_pct", and it that name`},
		{"packed", "\x1f\x8b\b\b\xba!\n", "trace:1: the file is packed by gzip; unpack it first: gunzip -c FILE | dewline ... --trace -"},
		{"two bytes a letter", "\xff\xfet\x00i\x00m\x00e\x00\n", "trace:1: the file is UTF-16; save it as UTF-8"},
		{"no text", "\xab\xec|k\n", `trace:1: the file is no text; a trace begins with the header "time,probe,temperature_c,humidity_pct"`},
		{"semicolons", "time;probe;temperature_c\n", `trace:1: the header is "time;probe;temperature_c", and should be "time,probe,temperature_c,humidity_pct": put commas in place of the semicolons, and points in the numbers`},
		{"no values", "time,probe\n", `trace:1: the header is "time,probe", and should be "time,probe,temperature_c,humidity_pct"`},
		{"quote", "\"time\n", "trace:1: a quoted field does not end on its line"},
		{"long", strings.Repeat("x", 2*MaxLine), "trace:1: longer than 65536 bytes"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := NewReader(strings.NewReader(c.file), "trace", time.UTC)
			if err == nil || err.Error() != c.want {
				t.Errorf("got  %v\nwant %s", err, c.want)
			}
		})
	}
}

// A source that fails is told from a bad line: there is nothing to go on with.
func TestSourceFails(t *testing.T) {
	broken := errors.New("card pulled out")
	src := io.MultiReader(strings.NewReader(Header+"\n2026-07-01T13:00:00Z,a,23,80\n"), iotest.ErrReader(broken))
	r, err := NewReader(src, "trace", time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.Next(); err != nil {
		t.Fatal(err)
	}
	_, err = r.Next()
	var bad *LineError
	if !errors.Is(err, broken) || errors.As(err, &bad) {
		t.Errorf("got %v, want the source's own error", err)
	}
}

// Bytes that dribble in one at a time read as those that come at once.
func TestSlowSource(t *testing.T) {
	file := Header + "\n2026-07-01T13:00:00Z,a,23,80\n2026-07-01T13:00:10Z,a,23.5,81\n"
	rows, faults := readAll(t, iotest.OneByteReader(strings.NewReader(file)), "trace", time.UTC)
	if len(rows) != 2 || faults != nil {
		t.Errorf("rows %+v, faults %q", rows, faults)
	}
}
