package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/cobra"

	"dewline/cmd/dewline/daemon"
	"dewline/configs"
)

// runDewline runs one command line in this process.
func runDewline(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	return runDewlineWith(t, "", args...)
}

func runDewlineWith(t *testing.T, stdin string, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	code = dispatch(t.Context(), args, stdio{in: strings.NewReader(stdin), out: &out, err: &err})
	return code, out.String(), err.String()
}

func TestUsage(t *testing.T) {
	for _, args := range [][]string{nil, {"help"}, {"-h"}, {"-help"}, {"--help"}} {
		code, out, _ := runDewline(t, args...)
		if code != exitOK || !strings.Contains(out, "demo") || !strings.Contains(out, "not veterinary advice") {
			t.Errorf("dewline %v: %d\n%s", args, code, out)
		}
	}
	for _, c := range []struct{ args, want string }{
		{"rum", `dewline: there is no command "rum", did you mean run;`},
		{"rum --help", `dewline: there is no command "rum"`},
		{"help rum", `dewline: there is no command "rum"`},
		{"alarm lst", `dewline alarm: there is no command "lst", did you mean list;`},
		{"help alarm lst", `dewline alarm: there is no command "lst"`},
		{"--rum", "unknown flag: --rum; dewline --help lists the flags"},
		{"run attic", `dewline run: "attic" is no flag`},
		{"note nursery", "dewline note: takes 2 words beside the flags, got 1"},
		{"drill --wait soon", `dewline drill: --wait "soon" is no length of time`},
	} {
		code, out, err := runDewline(t, strings.Fields(c.args)...)
		if code != exitUsage || out != "" || !strings.HasPrefix(err, c.want) && !strings.Contains(err, ": "+c.want) || strings.Count(err, "\n") != 1 {
			t.Errorf("dewline %s: exit %d, %q %q, want %q in one line", c.args, code, out, err, c.want)
		}
	}
}

// everyCommand returns the words of every command that does something.
func everyCommand(t *testing.T) (out [][]string) {
	t.Helper()
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		if c.Runnable() && c.HasParent() {
			out = append(out, strings.Fields(c.CommandPath())[1:])
		}
		for _, c := range c.Commands() {
			walk(c)
		}
	}
	walk(rootCommand(stdio{}))
	return out
}

func TestEveryCommandExplainsItself(t *testing.T) {
	for _, words := range everyCommand(t) {
		if words[0] == "help" {
			continue
		}
		name := strings.Join(words, " ")
		for _, args := range [][]string{append(slices.Clone(words), "-h"), append([]string{"help"}, words...)} {
			code, out, err := runDewline(t, args...)
			if code != exitOK || !strings.Contains(out, "Usage:\n  dewline "+name) || err != "" {
				t.Errorf("dewline %v: %d\n%s\n%s", args, code, out, err)
			}
		}
		code, out, err := runDewline(t, append(slices.Clone(words), "--no-such-flag")...)
		if code != exitUsage || out != "" || !strings.Contains(err, "no-such-flag; dewline "+name+" --help lists the flags") {
			t.Errorf("dewline %s --no-such-flag: exit %d, want %d, and why: %q", name, code, exitUsage, err)
		}
	}
}

func TestUsageFitsATerminal(t *testing.T) {
	_, out, _ := runDewline(t, "help")
	for line := range strings.Lines(out) {
		if len([]rune(line)) > 80+1 {
			t.Errorf("too wide: %s", line)
		}
	}
}

// What the last version took is taken for one version more: one dash before a
// long flag, and the words that are dewline alarm's now. Flags and words come in
// the order in which people think of them.
func TestResolve(t *testing.T) {
	for _, c := range []struct{ args, want string }{
		{"alarm|shelve|--for|30m|above-band|nursery", "alarm|shelve|--for|30m|above-band|nursery"},
		{"alarm|shelve|above-band|-for=30m|nursery", "alarm|shelve|above-band|--for=30m|nursery"},
		{"alarm|shelve|above-band|nursery|-for|30m|-why|-by", "alarm|shelve|above-band|nursery|--for|30m|--why|-by"},
		{"alarm|shelve|-one-shot|above-band|nursery", "alarm|shelve|--one-shot|above-band|nursery"},
		{"alarm|shelve|--for|30m|--|-odd|-for|1m", "alarm|shelve|--for|30m|--|-odd|-for|1m"},
		{"note|nursery|- two froglets moved|-by|robin", "note|nursery|--by|robin|--|- two froglets moved"},
		{"note|-by|- the night watch|nursery|-10 °C = cold", "note|--by|- the night watch|nursery|--|-10 °C = cold"},
		{"check|-config|my.toml|-limits", "check|--config|my.toml|--limits"},
		{"check|-h", "check|-h"},
		{"check|-nonsense", "check|-nonsense"},
		{"alarms|-data|d", "alarm|list|--data|d"},
		{"ack|n/1", "alarm|ack|n/1"},
		{"in-service|moss", "alarm|in-service|moss"},
		{"help|reset", "alarm|reset|--help"},
		{"-version", "--version"},
		{"__complete|che", "__complete|che"},
	} {
		root := rootCommand(stdio{err: io.Discard})
		_, got, err := resolve(root, strings.Split(c.args, "|"))
		if err != nil || strings.Join(got, "|") != c.want {
			t.Errorf("%s: %s, want %s (%v)", c.args, strings.Join(got, "|"), c.want, err)
		}
	}
}

// An old word does what the new one does, and says what it is called now.
func TestOldWords(t *testing.T) {
	none := filepath.Join(t.TempDir(), "none.sock")
	for old, now := range map[string]string{
		"alarms": "list", "ack n/1": "ack n/1", "shelve --for 1h above-band moss": "shelve --for 1h above-band moss",
		"unshelve above-band moss": "unshelve above-band moss", "reset lethal-ceiling moss": "reset lethal-ceiling moss",
		"out-of-service --for 1h moss": "out-of-service --for 1h moss", "in-service moss": "in-service moss",
	} {
		code, _, err := runDewline(t, append(strings.Fields(old), "--control", none)...)
		codeNow, _, errNow := runDewline(t, append(append([]string{"alarm"}, strings.Fields(now)...), "--control", none)...)
		note, rest, _ := strings.Cut(err, "\n")
		if code != codeNow || code != exitFailed || rest != errNow || !strings.Contains(note, "is dewline alarm "+strings.Fields(now)[0]+" now") {
			t.Errorf("dewline %s: exit %d %q; dewline alarm %s: exit %d %q", old, code, err, now, codeNow, errNow)
		}
	}
	if _, out, _ := runDewline(t, "help"); strings.Contains(out, "shelve") {
		t.Errorf("the old words are listed:\n%s", out)
	}
}

// A turn of somebody has an end, and one person.
func TestDutyCommand(t *testing.T) {
	none := filepath.Join(t.TempDir(), "none.sock")
	for args, want := range map[string]int{
		"duty odo --for 8h": exitFailed, "duty odo --until 2026-12-24": exitFailed, "duty-over": exitFailed, // no daemon there
		"duty odo": exitUsage, "duty --for 8h": exitUsage, "duty odo una --for 8h": exitUsage, "duty-over odo": exitUsage,
	} {
		if code, out, err := runDewline(t, append(append([]string{"alarm"}, strings.Fields(args)...), "--control", none)...); code != want {
			t.Errorf("dewline alarm %s: exit %d, want %d: %s%s", args, code, want, out, err)
		}
	}
}

func TestVersion(t *testing.T) {
	_, want, _ := runDewline(t, "version")
	if !strings.HasPrefix(want, "dewline "+version+", go") {
		t.Errorf("dewline version: %q", want)
	}
	if code, out, err := runDewline(t, "--version"); code != exitOK || out != want || err != "" {
		t.Errorf("dewline --version: %d %q %q, want %q", code, out, err, want)
	}
}

// The shells ask a hidden command, which offers commands and flags.
func TestCompletion(t *testing.T) {
	for _, c := range []struct{ args, want string }{
		{"__complete|alarm|she", "shelve\t"}, {"__complete|check|--pr", "--probes\t"}, {"completion|bash", "bash completion"},
	} {
		code, out, _ := runDewline(t, strings.Split(c.args, "|")...)
		if code != exitOK || !strings.Contains(out, c.want) {
			t.Errorf("%s: exit %d\n%.300s", c.args, code, out)
		}
	}
}

// exampleRoom is the commented example of a room with real probes.
func exampleRoom(t *testing.T) string {
	t.Helper()
	data, err := os.ReadFile("../../configs/example.toml")
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

func TestCheck(t *testing.T) {
	dir := t.TempDir()
	good := write(t, dir, "good.toml", exampleRoom(t))
	code, out, err := runDewline(t, "check", "--config", good, "--limits")
	if code != exitOK || !strings.Contains(out, "no fault") || !strings.Contains(out, "not veterinary advice") {
		t.Errorf("the example: exit %d\n%s%s", code, out, err)
	}
	key := write(t, dir, "key", "0123456789abcdef0123456789abcdef\n")
	if err := os.Chmod(key, 0o644); err != nil {
		t.Fatal(err)
	}
	open := write(t, dir, "open.toml", strings.Replace(exampleRoom(t), `token_file = "page-token"`, `token_file = "`+key+`"`, 1))
	code, out, err = runDewline(t, "check", "--config", open)
	if code != exitOK || !strings.Contains(out, key+" is readable by all (mode 0644) and will not be used: chmod 600") {
		t.Errorf("a key that all may read: exit %d\n%s%s", code, out, err)
	}
	bad := write(t, dir, "bad.toml", "[room]\nid = \"den\"\npol = \"10 s\"\n\n[[enclosure]]\nid = \"a1\"\nspecies = \"dendrobates-tinctorus\"\n")
	code, _, err = runDewline(t, "check", "--config", bad)
	if code != exitUsage {
		t.Errorf("a faulty file: exit %d, want %d", code, exitUsage)
	}
	for _, want := range []string{bad + ":3:1: ", bad + ":7:1: ", "dendrobates-tinctorius"} {
		if !strings.Contains(err, want) {
			t.Errorf("the faults lack %q:\n%s", want, err)
		}
	}
	code, _, err = runDewline(t, "check", "--config", filepath.Join(dir, "none.toml"))
	if code != exitUsage || !strings.Contains(err, "none.toml") {
		t.Errorf("a missing file: %d %q", code, err)
	}
}

// Wherever the record is, a start finds the last good configuration there, also
// where the file is broken in a way that leaves nothing decoded.
func TestLastGoodIsFoundInTheStoreDir(t *testing.T) {
	dir := t.TempDir()
	good := strings.Replace(exampleRoom(t), `dir = "/var/lib/dewline"`, `dir = "`+dir+`" # the card`, 1)
	if good == exampleRoom(t) {
		t.Fatal("the example names no store.dir")
	}
	write(t, dir, "last-good.toml", good)
	for name, bad := range map[string]string{
		"a key":     good + "\n[lamps_of_the_room]\non = 1\n",
		"no TOML":   "[room\n" + good,
		"no quote":  good + "\n[store]\ndir = \"unfinished\n",
		"a literal": "[room\n" + strings.Replace(good, `"`+dir+`"`, "'"+dir+"'", 1),
	} {
		cfg, _, refused, err := loadOrLastGood(write(t, t.TempDir(), "dewline.toml", bad), "", slog.New(slog.DiscardHandler))
		if err != nil || refused == "" || cfg.Store.Dir != dir {
			t.Errorf("%s: %v, refused %q", name, err, refused)
		}
	}
	if got := storeDir(filepath.Join(dir, "none.toml")); got != "/var/lib/dewline" {
		t.Errorf("no file at all: %s", got)
	}
}

// What check refuses and an earlier version took starts all the same where it is in
// force, and says why it is refused; what was never in force gives way to what was.
func TestWhatIsInForceStarts(t *testing.T) {
	example := func(section, keys string) string {
		out := strings.Replace(exampleRoom(t), section+"\n", section+"\n"+keys+"\n", 1)
		if out == exampleRoom(t) {
			t.Fatalf("the example has no %s", section)
		}
		return out
	}
	good := exampleRoom(t)
	hot := example("[[enclosure]]", "ceiling = \"86 °C\"")
	wet := example("[[enclosure]]", "floor = \"100 %\"")
	var rack strings.Builder
	for i := range configs.MostProbes + 1 {
		fmt.Fprintf(&rack, "[[probe]]\nid = \"x-%d\"\nfamily = \"iio\"\npath = \"/x/%d\"\nplace = \"room\"\n", i, i)
	}
	full := good + rack.String()
	none := good + "\n[lamps_of_the_room]\non = 1\n"
	for name, c := range map[string]struct {
		file, copy string
		want       string // what is used: "file", "copy" or nothing
		refused    string // a part of why
	}{
		"no fault":                                {good, "", "file", ""},
		"no fault, and an older copy":             {good, hot, "file", ""},
		"in force since before there were copies": {hot, "", "file", "did you mean 86 °F"},
		"in force":                                {hot, hot, "copy", "did you mean 86 °F"},
		"a floor of all":                          {wet, "", "file", "the humidity floor"},
		"too many probes":                         {full, "", "file", "more than the 5000"},
		"edited since, and not reloaded":          {hot, good, "copy", "did you mean 86 °F"},
		"in force, and edited since":              {none, hot, "copy", "lamps_of_the_room"},
		"in force, and a copy that is broken":     {hot, none, "file", "did you mean 86 °F"},
		"no room to watch":                        {none, "", "", ""},
	} {
		dir := t.TempDir()
		path := write(t, dir, "dewline.toml", c.file)
		used := map[string]string{"file": path}[c.want]
		if c.copy != "" {
			kept := write(t, dir, daemon.LastGoodName, c.copy)
			if c.want == "copy" {
				used = kept
			}
		}
		cfg, using, refused, err := loadOrLastGood(path, dir, slog.New(slog.DiscardHandler))
		if (err != nil) != (c.want == "") || using != used || (cfg == nil) != (err != nil) {
			t.Errorf("%s: uses %q, want %q: %v", name, using, used, err)
		}
		if !strings.Contains(refused, c.refused) || (refused == "") != (c.refused == "") {
			t.Errorf("%s: refused as %q", name, refused)
		}
		if code, _, text := runDewline(t, "check", "--config", path); (code == exitOK) != (c.file == good) || c.file != good && (code != exitUsage || !strings.Contains(text, path+":")) {
			t.Errorf("%s: check ends with %d, %q", name, code, text)
		}
	}
}

func TestRunRefusesASimulatedProbe(t *testing.T) {
	dir := t.TempDir()
	file := write(t, dir, "demo.toml", string(configs.Demo()))
	code, _, err := runDewline(t, "run", "--config", file, "--data", dir)
	if code != exitUsage || !strings.Contains(err, "simulated") {
		t.Errorf("exit %d, %q", code, err)
	}
}

func TestAnswersNeedARunningDaemon(t *testing.T) {
	code, _, err := runDewline(t, "alarm", "ack", "--control", filepath.Join(t.TempDir(), "none.sock"), "lethal-ceiling", "a1")
	if code != exitFailed || !strings.Contains(err, "no running dewline found") {
		t.Errorf("exit %d, %q", code, err)
	}
	code, _, err = runDewline(t, "alarm", "shelve", "above-band", "a1")
	if code != exitUsage || !strings.Contains(err, "--for") {
		t.Errorf("a shelf without an end: exit %d, %q", code, err)
	}
}

func TestReplayUsage(t *testing.T) {
	file := write(t, t.TempDir(), "t.csv", "time,probe,temperature_c,humidity_pct\n")
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"replay"}, "--trace"},
		{[]string{"replay", "--trace", file}, "--config FILE or --species ID"},
		{[]string{"replay", "--trace", file, "--species", "x", "--config", "y"}, "either"},
		{[]string{"replay", "--trace", file, "--species", "dendrobates-auratis"}, "dendrobates-auratus"},
		{[]string{"replay", "--trace", file, "--species", "dendrobates-auratus", "--lights", "8-20"}, "not a time of day"},
		{[]string{"replay", "--trace", file, "--species", "dendrobates-auratus", "--mist", "25:00"}, "25:00"},
		{[]string{"replay", "--trace", file, "--species", "dendrobates-auratus", "--timezone", "Nowhere/Land"}, "Nowhere/Land"},
		{[]string{"replay", "--trace", file, "--species", "dendrobates-auratus", "--format", "xml"}, "xml"},
	} {
		code, _, err := runDewline(t, c.args...)
		if code != exitUsage || !strings.Contains(err, c.want) {
			t.Errorf("%v: exit %d, %q; want %d and %q", c.args, code, err, exitUsage, c.want)
		}
	}
}

func TestReplayBadLine(t *testing.T) {
	hot := "time,probe,temperature_c,humidity_pct\n" +
		"2026-05-01T09:00:00Z,a,24,85\nnot a line\n" +
		"2026-05-01T09:01:00Z,a,31,85\n2026-05-01T09:02:00Z,a,31,85\n2026-05-01T09:03:00Z,a,31,85\n"
	args := []string{"replay", "--trace", "-", "--species", "dendrobates-tinctorius", "--format", "ndjson"}
	code, _, err := runDewlineWith(t, hot, args...)
	if code != exitFailed || !strings.Contains(err, "-:3:") {
		t.Errorf("without --keep-going: exit %d, %q; want %d and the line number", code, err, exitFailed)
	}
	code, out, err := runDewlineWith(t, hot, append(args, "--keep-going")...)
	if code != exitFailed || !strings.Contains(err, "1 line could not be used") {
		t.Errorf("with --keep-going: exit %d, %q", code, err)
	}
	if !strings.Contains(out, `"lethal-ceiling"`) {
		t.Errorf("the rest did not run:\n%s", out)
	}
}

func TestReplayStops(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var out, err bytes.Buffer
	trace := "time,probe,temperature_c,humidity_pct\n"
	code := dispatch(ctx, []string{"replay", "--trace", "-", "--species", "dendrobates-auratus"},
		stdio{in: strings.NewReader(trace), out: &out, err: &err})
	if code != exitFailed || !strings.Contains(err.String(), "stopped") {
		t.Errorf("exit %d, %q", code, err.String())
	}
}

func write(t *testing.T, dir, name, text string) string {
	t.Helper()
	file := filepath.Join(dir, name)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// An answer that a full disk swallowed is no success.
func TestDispatch_FullDisk(t *testing.T) {
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = full.Close() }()
	for _, args := range [][]string{{"version"}, {"check", "--config", "../../configs/example.toml"}, {"token", "sam", "look"}} {
		var problem bytes.Buffer
		code := dispatch(t.Context(), args, stdio{in: strings.NewReader(""), out: full, err: &problem})
		if code != exitFailed || !strings.Contains(problem.String(), "no space left") {
			t.Errorf("%v: exit %d, %q", args, code, &problem)
		}
	}
}
