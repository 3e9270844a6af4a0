package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// unitLines returns the settings of a unit in order.
func unitLines(t *testing.T, name string) []string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "systemd", name))
	if err != nil {
		t.Fatal(err)
	}
	return slices.DeleteFunc(strings.Split(string(b), "\n"), func(l string) bool { return l == "" || l[0] == '#' })
}

// Nothing that may be missing on a board ends a start for good. The rules are
// those of Debian 12's manual, systemd.exec(5), systemd.unit(5) and
// systemd.resource-control(5).
func TestUnits_NothingMissingEndsTheWatch(t *testing.T) {
	for _, name := range []string{"dewline.service", "dewline-sentinel.service"} {
		lines := unitLines(t, name)
		if !slices.Contains(lines, "StartLimitIntervalSec=0") {
			t.Errorf("%s: a few failed starts end all others (StartLimitIntervalSec=)", name)
		}
		for _, l := range lines {
			key, value, _ := strings.Cut(l, "=")
			switch id, _, _ := strings.Cut(value, ":"); key {
			case "SupplementaryGroups": // a missing one ends the start with 216/GROUP
				t.Errorf("%s: %s", name, l)
			case "Group": // made for the run where it is missing
				if !slices.Contains(lines, "DynamicUser=yes") {
					t.Errorf("%s: %s without DynamicUser", name, l)
				}
			case "LoadCredential": // "In this case not being able to retrieve the credential … is not considered fatal"
				if !slices.ContainsFunc(lines, func(o string) bool { return strings.HasPrefix(o, "SetCredential="+id+":") }) {
					t.Errorf("%s: %s without a SetCredential of the same ID ends the start with 243/CREDENTIALS", name, l)
				}
			case "DeviceAllow": // a node is resolved at the start, a class at the opening
				if strings.HasPrefix(value, "/dev/") {
					t.Errorf("%s: %s", name, l)
				}
			}
		}
	}
	if lines := unitLines(t, "dewline.service"); !slices.Contains(lines, "DeviceAllow=char-i2c rw") || !slices.Contains(lines, "After=modprobe@i2c_dev.service") {
		t.Error("dewline.service: the I2C buses cannot be opened")
	}
}

// systemd itself reads the units without a word.
func TestUnits_Verify(t *testing.T) {
	tool, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("systemd-analyze is not installed")
	}
	for _, name := range []string{"dewline.service", "dewline-sentinel.service"} {
		var text []string
		for _, l := range unitLines(t, name) {
			if strings.HasPrefix(l, "ExecStart=") {
				l = "ExecStart=/bin/true" // dewline is not installed here
			}
			text = append(text, l)
		}
		file := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(file, []byte(strings.Join(text, "\n")+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
		if out, err := exec.Command(tool, "verify", "--man=no", file).CombinedOutput(); err != nil || strings.Contains(string(out), name) {
			t.Errorf("%s: %v\n%s", name, err, out)
		}
	}
}
