package trace

import (
	"bufio"
	"encoding/csv"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"dewline/sensors"

	"github.com/google/go-cmp/cmp"
)

// The first rows of the open record of an office room, UCI DOI
// 10.24432/C5X01N, Candanedo & Feldheim 2016, datatest.txt: one field more
// than the header, an index, and quoted local times.
const occupancy = `"date","Temperature","Humidity","Light","CO2","HumidityRatio","Occupancy"
"140","2015-02-02 14:19:00",23.7,26.272,585.2,749.2,0.00476416302416414,1
"141","2015-02-02 14:19:59",23.718,26.29,578.4,760.4,0.00477266099212519,1
"142","2015-02-02 14:21:00",23.73,26.23,572.666666666667,769.666666666667,0.00476515255246541,1
"143","2015-02-02 14:22:00",23.7225,26.125,493.75,774.75,0.00474377335599685,1
"144","2015-02-02 14:23:00",23.754,26.2,488.6,779,0.00476659399998615,1
`

func TestOccupancyRows(t *testing.T) {
	brussels := time.FixedZone("CET", 3600)
	rows, faults := readAll(t, strings.NewReader(occupancy), "trace", brussels)
	at := func(minute, second int) time.Time { return time.Date(2015, 2, 2, 14, minute, second, 0, brussels) }
	want := []Row{
		{Time: at(19, 0), Probe: "room", Has: both, Temperature: 2370, Humidity: 2627, Line: 2},
		{Time: at(19, 59), Probe: "room", Has: both, Temperature: 2372, Humidity: 2629, Line: 3},
		{Time: at(21, 0), Probe: "room", Has: both, Temperature: 2373, Humidity: 2623, Line: 4},
		{Time: at(22, 0), Probe: "room", Has: both, Temperature: 2372, Humidity: 2613, Line: 5},
		{Time: at(23, 0), Probe: "room", Has: both, Temperature: 2375, Humidity: 2620, Line: 6},
	}
	if diff := cmp.Diff(want, rows); diff != "" || faults != nil {
		t.Errorf("(-want +got):\n%s faults %q", diff, faults)
	}
}

// The first row of the open record of a house, UCI DOI 10.24432/C5VC8G,
// Candanedo et al. 2017, testing.csv, shortened to four of its columns: a
// probe per pair of columns.
const appliances = `"date","Appliances","lights","T1","RH_1","T6","RH_6","T_out"
"2016-01-11 17:30:00","  50","40","19.890000000000001","46.066666666666698"," 6.433333333333330017","83.4233333333333036"," 6.2500000000000000e+00"
`

func TestAppliancesRow(t *testing.T) {
	rows, faults := readAll(t, strings.NewReader(appliances), "trace", time.UTC)
	at := utc(2016, 1, 11, 17, 30, 0)
	want := []Row{
		{Time: at, Probe: "t1", Has: both, Temperature: 1989, Humidity: 4607, Line: 2},
		{Time: at, Probe: "t6", Has: both, Temperature: 643, Humidity: 8342, Line: 2},
	}
	if diff := cmp.Diff(want, rows); diff != "" || faults != nil {
		t.Errorf("(-want +got):\n%s faults %q", diff, faults)
	}
}

// Exponents and missing values are read, and one bad value costs its own probe's
// row alone.
func TestForeignValues(t *testing.T) {
	const file = "timestamp,T1,T2,RH_2\n2026-07-01 13:00:00,2.05e+01,broken,80\n2026-07-01 13:10:00,NA,21,\n1 July,1,2,3\n"
	rows, faults := readAll(t, strings.NewReader(file), "trace", time.UTC)
	want := []Row{
		{Time: utc(2026, 7, 1, 13, 0, 0), Probe: "t1", Has: sensors.HasTemperature, Temperature: 2050, Line: 2},
		{Time: utc(2026, 7, 1, 13, 10, 0), Probe: "t1", Line: 3},
		{Time: utc(2026, 7, 1, 13, 10, 0), Probe: "t2", Has: sensors.HasTemperature, Temperature: 2100, Line: 3},
	}
	if diff := cmp.Diff(want, rows); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{
		`trace:2: probe t2: temperature "broken" is not a number such as 23.45`,
		`trace:4: time "1 July" is not RFC 3339 such as 2026-07-01T13:00:00Z`,
	}, faults); diff != "" {
		t.Errorf("faults (-want +got):\n%s", diff)
	}
}

func TestForeignHeaders(t *testing.T) {
	for _, header := range []string{"a,b", "Temperature,Humidity", "date,T_out", "date,Tx", "date"} {
		if l, ok := foreignLayout(strings.Split(header, ",")); ok {
			t.Errorf("%q taken for %+v", header, l)
		}
	}
}

// openData opens a file of the open data beside the repository, or skips.
func openData(t *testing.T, name string) io.Reader {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "..", "shared", "data", name))
	if errors.Is(err, os.ErrNotExist) {
		t.Skipf("the open data file %s is not beside the repository", name)
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return bufio.NewReader(f)
}

// Both open records are read whole and without a fault, as encoding/csv and
// strconv read them.
func TestOpenData(t *testing.T) {
	for _, c := range []struct {
		name                   string
		shift, probes, columns int
	}{
		{"occupancy/datatest.txt", 1, 1, 1},
		{"occupancy/datatest2.txt", 1, 1, 1},
		{"occupancy/datatraining.txt", 1, 1, 1},
		{"appliances/testing.csv", 0, 9, 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			rows, faults := readAll(t, openData(t, c.name), "trace", time.UTC)
			if faults != nil {
				t.Fatalf("%d faults, first %s", len(faults), faults[0])
			}
			want := csv.NewReader(openData(t, c.name))
			want.FieldsPerRecord = -1
			records, err := want.ReadAll()
			if err != nil {
				t.Fatal(err)
			}
			if len(rows) != c.probes*(len(records)-1) {
				t.Fatalf("%d rows from %d lines of %d probes", len(rows), len(records)-1, c.probes)
			}
			for i, row := range rows {
				fields := records[1+i/c.probes][c.shift:]
				first := c.columns + 2*(i%c.probes)
				checkRow(t, row, fields[0], fields[first], fields[first+1])
			}
		})
	}
}

func checkRow(t *testing.T, row Row, when, temperature, humidity string) {
	t.Helper()
	at, err := time.Parse(time.DateTime, when)
	if err != nil {
		t.Fatal(err)
	}
	c, err1 := strconv.ParseFloat(strings.TrimSpace(temperature), 64)
	h, err2 := strconv.ParseFloat(strings.TrimSpace(humidity), 64)
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	// Half a hundredth, and a little for the float.
	const tolerance = 0.0050001
	if !row.Time.Equal(at) || row.Has != both || math.Abs(row.Temperature.Celsius()-c) > tolerance ||
		math.Abs(row.Humidity.Percent()-h) > tolerance {
		t.Fatalf("line %d: %+v, want %s %s %s", row.Line, row, when, temperature, humidity)
	}
}
