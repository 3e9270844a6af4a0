package main

import (
	"encoding/json"
	"math"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewline/sensors"
	"dewline/sensors/table"
	"dewline/store"
)

// board is a directory tree like /dev and /sys of a board with a 1-Wire
// thermometer, a probe that the kernel drives and the processor's own
// thermometer, as the Linux documentation describes them (w1_therm.rst,
// sysfs-bus-iio, hwmon/sysfs-interface.rst).
func board(t *testing.T) (dev, sys string) {
	t.Helper()
	dir := t.TempDir()
	for name, text := range map[string]string{
		"sys/bus/w1/devices/28-0316a2794de1/w1_slave":               "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n",
		"sys/bus/iio/devices/iio:device0/name":                      "sht4x\n",
		"sys/bus/iio/devices/iio:device0/in_temp_input":             "24310\n",
		"sys/bus/iio/devices/iio:device0/in_humidityrelative_input": "83400\n",
		"sys/class/hwmon/hwmon0/temp1_input":                        "51000\n",
		"dev/null0":                                                 "",
	} {
		file := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "dev"), filepath.Join(dir, "sys")
}

// What `dewline probes` prints is, with the enclosure filled in, a
// configuration, whose probes `dewline check --probes` then reads.
func TestProbes_PrintsWhatCheckReads(t *testing.T) {
	dev, sys := board(t)
	code, out, problem := runDewline(t, "probes", "--dev", dev, "--sys", sys, "--config", filepath.Join(dev, "none.toml"))
	if code != exitOK {
		t.Fatalf("%d %s", code, problem)
	}
	for _, want := range []string{"28-0316a2794de1: ds18b20, identified", "kernel driver sht4x", `id = "probe-2"`} {
		if strings.Count(out, want) != 1 {
			t.Errorf("not once %q in:\n%s", want, out)
		}
	}
	if strings.Contains(out, "hwmon0") {
		t.Errorf("the processor is no probe:\n%s", out)
	}
	room := "[room]\nid = \"den\"\nname = \"The den\"\ntimezone = \"UTC\"\n[store]\ndir = \"" + filepath.Join(dev, "data") + "\"\n" +
		"[[enclosure]]\nid = \"a\"\nrack = \"r\"\nshelf = 1\nslot = 1\nspecies = \"dendrobates-tinctorius\"\n" +
		strings.ReplaceAll(out, `enclosure = ""`, `enclosure = "a"`)
	if _, err := table.Decode("printed.toml", []byte(room)); err != nil {
		t.Fatalf("%v\n%s", err, room)
	}
	file := write(t, t.TempDir(), "room.toml", room)
	code, out, problem = runDewline(t, "check", "--config", file, "--probes")
	if code != exitOK {
		t.Fatalf("%d %s%s", code, out, problem)
	}
	// Values, ± of the data sheets, spread and time: 23.125 °C is 23.13, and a
	// DS18B20 is good to 0.5 °C (its data sheet) and an unknown kernel probe is
	// not taken for better.
	for _, want := range []string{
		`probe-1 +23\.13 °C +0\.5\d +- +- +0\.00 °C +\d+ ms +never`,
		`probe-2 +24\.31 °C +\d\.\d\d +83\.40 % +−\d\.\d \+\d\.\d +- +0\.00 °C 0\.00 % +\d+ ms +never`,
	} {
		if !regexp.MustCompile(want).MatchString(out) {
			t.Errorf("no line %q in:\n%s", want, out)
		}
	}
}

// A probe that fails is named with its fault beside those that work, and the
// command says so by its exit code.
func TestCheckProbes_NamesTheFault(t *testing.T) {
	for _, c := range []struct{ file, text, want string }{
		{"bus/w1/devices/28-0316a2794de1/w1_slave", "72 01 4b 46 7f ff 0e 10 57 : crc=00 NO\n72 01 4b 46 7f ff 0e 10 57 t=23125\n", "bad-crc"},
		{"bus/w1/devices/28-0316a2794de1/w1_slave", "00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n", "all-zero"},
		{"bus/w1/devices/28-0316a2794de1/w1_slave", "50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n", "power-on-value"},
		{"bus/w1/devices/28-0316a2794de1/w1_slave", "", "malformed"},
		{"bus/w1/devices/28-0316a2794de1/w1_slave", "-", "bus-error"},
	} {
		t.Run(c.want, func(t *testing.T) {
			_, sys := board(t)
			file := filepath.Join(sys, c.file)
			if err := os.WriteFile(file, []byte(c.text), 0o600); err != nil {
				t.Fatal(err)
			}
			if c.text == "-" {
				if err := os.Remove(file); err != nil {
					t.Fatal(err)
				}
			}
			room := "[room]\nid = \"den\"\nname = \"The den\"\ntimezone = \"UTC\"\n[store]\ndir = \"" + t.TempDir() + "\"\n" +
				"[[enclosure]]\nid = \"a\"\nrack = \"r\"\nshelf = 1\nslot = 1\nspecies = \"dendrobates-tinctorius\"\n" +
				"[[probe]]\nid = \"wire\"\nfamily = \"ds18b20\"\nplace = \"water\"\nenclosure = \"a\"\npath = \"" + filepath.Dir(file) + "\"\n" +
				"[[probe]]\nid = \"air\"\nfamily = \"iio\"\nplace = \"canopy\"\nenclosure = \"a\"\npath = \"" + filepath.Join(sys, "bus/iio/devices/iio:device0") + "\"\n"
			code, out, problem := runDewline(t, "check", "--config", write(t, t.TempDir(), "room.toml", room), "--probes")
			if code != exitFailed || !strings.Contains(problem, "1 of 2 probes did not deliver") {
				t.Errorf("exit %d: %s", code, problem)
			}
			if !regexp.MustCompile(`(?m)^wire +-.*`+c.want).MatchString(out) || !regexp.MustCompile(`(?m)^air +24\.31 °C`).MatchString(out) {
				t.Errorf("no %s of wire, or no value of air:\n%s", c.want, out)
			}
		})
	}
}

// check --probes states what the record knows of a probe: its calibration, and
// that after 60 h above 80 %RH it may read 3 %RH too high (Sensirion, SHT3x-DIS
// data sheet v7, section 1).
func TestCheckProbes_StatesCalibrationAndAgeing(t *testing.T) {
	_, sys := board(t)
	dir := t.TempDir()
	room := "[room]\nid = \"den\"\nname = \"The den\"\ntimezone = \"UTC\"\n[store]\ndir = \"" + dir + "\"\n" +
		"[[enclosure]]\nid = \"a\"\nrack = \"r\"\nshelf = 1\nslot = 1\nspecies = \"dendrobates-tinctorius\"\n" +
		"[[probe]]\nid = \"air\"\nfamily = \"iio\"\nplace = \"canopy\"\nenclosure = \"a\"\npath = \"" + filepath.Join(sys, "bus/iio/devices/iio:device0") + "\"\n"
	file := write(t, t.TempDir(), "room.toml", room)
	st, _, err := store.Open(t.Context(), store.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	made := time.Now().Add(-48 * time.Hour)
	correction, err := json.Marshal(sensors.Correction{
		ID: "c1", Probe: "air", Quantity: sensors.Humidity, Made: made, From: made, Gain: 1, Offset: -1.5, Uncertainty: 1.2,
		Points: []sensors.Point{{At: made, Raw: 77, Reference: 75.5, Uncertainty: 1.2, Source: "nacl"}},
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := st.Commit(store.Commit{Docs: []store.Doc{
		{Bucket: store.BucketCalibration, Key: "c1", Value: correction},
		{Bucket: store.BucketMeta, Key: "ageing", Value: []byte(`{"air":{"soaked":216000000000000,"last":1,"begun":true}}`)},
	}}); err != nil {
		t.Fatal(err)
	}
	if err := st.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	code, out, problem := runDewline(t, "check", "--config", file, "--probes")
	if code != exitOK {
		t.Fatalf("%d %s%s", code, out, problem)
	}
	m := regexp.MustCompile(`air +24\.31 °C +\d\.\d\d +81\.90 % +−(\d\.\d) \+(\d\.\d) .*` + made.Local().Format(time.DateOnly)).FindStringSubmatch(out)
	if m == nil {
		t.Fatalf("no corrected value with its date in:\n%s", out)
	}
	below, _ := strconv.ParseFloat(m[1], 64)
	above, _ := strconv.ParseFloat(m[2], 64)
	// 1.2 of the calibration, 1.0 of hysteresis and 0.3 for the distance from
	// its point make 1.6.
	if above < 1.5 || above > 1.7 || math.Abs(below-above-3) > 0.11 {
		t.Errorf("−%.1f +%.1f, want 3.0 further below than above", below, above)
	}
}

// Doubts of the judge are told with the value, each once.
func TestCheckProbes_TellsDoubts(t *testing.T) {
	_, sys := board(t)
	dir := filepath.Join(sys, "bus/iio/devices/iio:device0")
	room := "[room]\nid = \"den\"\nname = \"The den\"\ntimezone = \"UTC\"\n[store]\ndir = \"" + t.TempDir() + "\"\n" +
		"[[enclosure]]\nid = \"a\"\nrack = \"r\"\nshelf = 1\nslot = 1\nspecies = \"dendrobates-tinctorius\"\n" +
		"[[probe]]\nid = \"air\"\nfamily = \"iio\"\nplace = \"canopy\"\nenclosure = \"a\"\npath = \"" + dir + "\"\n"
	for _, c := range []struct{ humidity, temperature, want string }{
		{"150000", "24310", `(?m)^air +24\.31 °C +1\.00 +- .*3 × out-of-range: 24\.31 °C, 150\.00 %$`},
		{"0", "0", `(?m)^air +- .*3 × all-zero: 0\.00 °C, 0\.00 %$`},
	} {
		write(t, dir, "in_humidityrelative_input", c.humidity)
		write(t, dir, "in_temp_input", c.temperature)
		code, out, problem := runDewline(t, "check", "--config", write(t, t.TempDir(), "room.toml", room), "--probes")
		if code != exitFailed || !strings.Contains(problem, "1 of 1 probes did not deliver 3 good readings") || !regexp.MustCompile(c.want).MatchString(out) {
			t.Errorf("%d %s\n%s\nwant %s", code, problem, out, c.want)
		}
	}
}

// A daemon that this user may not ask owns the buses too; a socket that nobody
// listens on is a dead one's.
func TestListens(t *testing.T) {
	for err, want := range map[error]bool{
		nil: true,
		&net.OpError{Op: "dial", Err: os.NewSyscallError("connect", syscall.EACCES)}:       true,
		&net.OpError{Op: "dial", Err: os.NewSyscallError("connect", syscall.ECONNREFUSED)}: false,
		&net.OpError{Op: "dial", Err: os.NewSyscallError("connect", syscall.ENOENT)}:       false,
		&net.OpError{Op: "dial", Err: os.ErrDeadlineExceeded}:                              true,
	} {
		if got := listens(serviceSocket, nil, err); got != want {
			t.Errorf("%v: %v, want %v", err, got, want)
		}
	}
}

// The service's folder is there only while it runs, so a closed one tells; a
// data directory stays, and a closed one tells nothing.
func TestListens_ClosedFolder(t *testing.T) {
	closed, missing := &os.PathError{Err: syscall.EACCES}, &os.PathError{Err: syscall.ENOENT}
	for _, c := range []struct {
		path string
		err  error
		want bool
	}{
		{serviceSocket, closed, true}, {serviceSocket, missing, false},
		{"/var/lib/dewline/control.sock", closed, false}, {"/var/lib/dewline/control.sock", missing, false},
	} {
		if got := listens(c.path, c.err, &net.OpError{Op: "dial", Err: c.err}); got != c.want {
			t.Errorf("%s, %v: %v, want %v", c.path, c.err, got, c.want)
		}
	}
}

// A socket that a kill left hides no daemon whose socket is looked for after it.
func TestFindPassesADeadSocketOver(t *testing.T) {
	listen := func(dir string) *net.UnixListener {
		ln, err := net.ListenUnix("unix", &net.UnixAddr{Name: filepath.Join(dir, "control.sock"), Net: "unix"})
		if err != nil {
			t.Fatal(err)
		}
		return ln
	}
	t.Setenv("RUNTIME_DIRECTORY", "")
	dead, alive := t.TempDir(), t.TempDir()
	left := listen(dead)
	left.SetUnlinkOnClose(false)
	left.Close()
	defer listen(alive).Close()
	file := write(t, t.TempDir(), "room.toml", strings.Replace(jarRoom, "[store]\n", "[store]\ndir = \""+alive+"\"\n", 1))
	c := control{dir: dead, config: file}
	if path, err := c.find(); err != nil || path != filepath.Join(alive, "control.sock") {
		t.Errorf("found %q: %v", path, err)
	}
}

// While a daemon owns the buses nothing else may talk on them.
func TestProbes_NotWhileDewlineRuns(t *testing.T) {
	b := newBench(t)
	dir := t.TempDir()
	// The control socket of a running daemon lies in its data directory.
	if err := os.Symlink(b.socket, filepath.Join(dir, "control.sock")); err != nil {
		t.Fatal(err)
	}
	file := write(t, t.TempDir(), "room.toml", strings.Replace(jarRoom, "[store]\n", "[store]\ndir = \""+dir+"\"\n", 1))
	eventually(t, "the daemon answers", func() bool { return b.get("kpi", nil) == nil })
	for _, args := range [][]string{{"probes", "--config", file}, {"check", "--config", file, "--probes"}} {
		code, _, problem := runDewline(t, args...)
		if code == exitOK || !strings.Contains(problem, "owns the buses") {
			t.Errorf("dewline %v: %d %q", args, code, problem)
		}
	}
}
