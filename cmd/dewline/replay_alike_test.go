package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// A row of a trace.
type row struct {
	at    time.Time
	probe string
	rest  string // its values
}

// rowsOf reads a trace of this package.
func rowsOf(t *testing.T, name string) (rows []row) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(traceDir, name+".csv"))
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(strings.TrimSpace(string(b)), "\n")[1:] {
		f := strings.SplitN(line, ",", 3)
		at, err := time.Parse(time.RFC3339, f[0])
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, row{at, f[1], f[2]})
	}
	return rows
}

// A decision is what must be alike; its words may name another hour or unit.
type decision struct {
	Time                               time.Time
	Alarm, Subject, From, To, Priority string
}

// decisions replays rows in a room.
func decisions(t *testing.T, rows []row, room string) (list []decision) {
	t.Helper()
	var b strings.Builder
	b.WriteString("time,probe,temperature_c,humidity_pct\n")
	for _, r := range rows {
		fmt.Fprintf(&b, "%s,%s,%s\n", r.at.Format(time.RFC3339), r.probe, r.rest)
	}
	dir := t.TempDir()
	file, cfg := filepath.Join(dir, "trace.csv"), filepath.Join(dir, "room.toml")
	for name, text := range map[string]string{file: b.String(), cfg: room} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for line := range strings.Lines(replayed(t, "--trace", file, "--config", cfg)) {
		var d decision
		if err := json.Unmarshal([]byte(line), &d); err != nil {
			t.Fatal(err)
		}
		d.Time = d.Time.UTC()
		list = append(list, d)
	}
	return list
}

// sections are those of a configuration that begin with one of these headers, and the rest.
func sections(text string, headers ...string) (these []string, rest string) {
	for i, s := range strings.Split(text, "\n[") {
		if i > 0 {
			s = "[" + s
		}
		if slices.ContainsFunc(headers, func(h string) bool { return strings.HasPrefix(s, h) }) {
			these = append(these, s)
			continue
		}
		rest += s + "\n"
	}
	return these, rest
}

// Nothing of what is decided hangs on what says nothing of the animals: the order of rows and
// sections, the date, the zone, the unit in which limits are written, one more healthy tank.
func TestReplay_DecidesAlike(t *testing.T) {
	b, err := os.ReadFile(filepath.Join(traceDir, "room.toml"))
	if err != nil {
		t.Fatal(err)
	}
	const limits = "\n[[species]]\nid = \"dendrobates-tinctorius\"\nday = %q\nnight = %q\n"
	plain := string(b)
	room := plain + fmt.Sprintf(limits, "22-26 °C", "19-22 °C")
	order := func(a, b decision) int {
		return strings.Compare(fmt.Sprint(a), fmt.Sprint(b))
	}
	shifted := func(rows []row, by time.Duration) []row {
		rows = slices.Clone(rows)
		for i := range rows {
			rows[i].at = rows[i].at.Add(by)
		}
		return rows
	}
	for _, name := range []string{"heat-wave", "dry-out", "door", "missed-mist", "probe-gap"} {
		rows := rowsOf(t, name)
		want := decisions(t, rows, room)
		if len(want) == 0 {
			t.Errorf("%s decides nothing", name)
		}
		slices.SortFunc(want, order)
		turned := slices.Clone(rows)
		for i, j := 0, 0; i < len(rows); i = j {
			for j = i; j < len(rows) && rows[j].at.Equal(rows[i].at); j++ {
			}
			tanks := turned[i:j]
			if tanks[0].probe == "room" { // what comes after it knows the room of now, what comes before that of the poll before
				tanks = tanks[1:]
			}
			slices.Reverse(tanks)
		}
		these, rest := sections(room, "[[enclosure]]", "[[probe]]")
		slices.Reverse(these)
		beside := "\n[[enclosure]]\nid = \"calm\"\nname = \"Calm\"\nrack = \"a\"\nshelf = 1\nslot = 3\nspecies = \"dendrobates-tinctorius\"\nvolume = \"90 L\"\n" +
			"[[probe]]\nid = \"calm\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"calm\"\n"
		var three []row
		for i, r := range rows {
			if three = append(three, r); r.probe == "room" {
				three = append(three, row{r.at, "calm", fmt.Sprintf("%.2f,%.2f", 23.5+0.01*float64(i%4), 85+0.1*float64(i%5))})
			}
		}
		for _, c := range []struct {
			how  string
			rows []row
			room string
			by   time.Duration
		}{
			{"tanks of a moment the other way round", turned, room, 0},
			{"enclosures and probes the other way round", rows, rest + strings.Join(these, "\n"), 0},
			{"52 weeks later", shifted(rows, 364*24*time.Hour), room, 364 * 24 * time.Hour},
			{"five hours to the west", shifted(rows, 5*time.Hour), strings.Replace(room, `"UTC"`, `"Etc/GMT+5"`, 1), 5 * time.Hour},
			{"limits in °F", rows, plain + fmt.Sprintf(limits, "71.6-78.8 °F", "66.2-71.6 °F"), 0},
			{"a healthy tank more", three, room + beside, 0},
		} {
			got := decisions(t, c.rows, c.room)
			for i := range got {
				got[i].Time = got[i].Time.Add(-c.by)
			}
			got = slices.DeleteFunc(got, func(d decision) bool { return d.Subject == "calm" })
			slices.SortFunc(got, order)
			if !slices.Equal(got, want) {
				t.Errorf("%s, %s:\n%v\nwant\n%v", name, c.how, got, want)
			}
		}
	}
}
