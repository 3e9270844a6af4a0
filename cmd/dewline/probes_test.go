package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"dewline/configs"
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
	if _, err := configs.Decode("printed.toml", []byte(room)); err != nil {
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
		`probe-1 +23\.13 °C +0\.5\d +- +0\.00 °C +\d+ ms`,
		`probe-2 +24\.31 °C +\d\.\d\d +83\.40 % +−\d\.\d \+\d\.\d +0\.00 °C 0\.00 % +\d+ ms`,
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
