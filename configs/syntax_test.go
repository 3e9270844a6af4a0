package configs

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"unicode/utf16"
)

// What a keeper who copies and edits sections gets wrong, and what to do.
func TestSyntaxAdvice(t *testing.T) {
	wide := []byte("\xff\xfe")
	for _, u := range utf16.Encode([]rune("[room]\n")) {
		wide = append(wide, byte(u), byte(u>>8))
	}
	for name, x := range map[string]struct{ source, want string }{
		"no quotes":           {"[[enclosure]]\nvolume = 60 L # all\n", `f:2:13: not valid TOML: expected newline but got U+004C 'L'; put texts and quantities between straight quotes, as in volume = "90 L"`},
		"quotes of a letter":  {"[[enclosure]]\nvolume = “60 L”\n", `put texts and quantities between straight quotes`},
		"single brackets":     {"[enclosure]\nid = \"a\"\n[enclosure] # next\nid = \"b\"\n", `f:3:2: not valid TOML: table enclosure already exists; write [[enclosure]] with double brackets before each one`},
		"one section twice":   {"[room]\n[room]\n", `f:2:2: not valid TOML: table room already exists; write it once: join the two, or give the second another name`},
		"another code page":   {"# 26 \xb0C\n", "save the file as UTF-8 in the editor"},
		"two bytes a letter":  {string(wide), "save the file as UTF-8 in the editor"},
		"what does not show":  {"# a\x00b\n", "remove what does not show there, or write the line anew"},
		"a bracket forgotten": {"[room\nid = \"a\"\n", "correct this place first, then check again"},
	} {
		_, err := Decode("f", []byte(x.source), testFamilies)
		if err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%s: %v, want %s", name, err, x.want)
		}
	}
}

// A device or a pipe has no size, and may never end.
func TestLoadReadsNoMoreThanARoomNeeds(t *testing.T) {
	pipe := filepath.Join(t.TempDir(), "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	fed := make(chan error, 1)
	go func() {
		w, err := os.OpenFile(pipe, os.O_WRONLY, 0)
		if err == nil {
			_, err = w.Write(make([]byte, 8*largestFile)) // ends when the reader has enough
			_ = w.Close()
		}
		fed <- err
	}()
	_, err := Load(pipe, testFamilies)
	if err == nil || !strings.Contains(err.Error(), "larger than 1024 KiB") {
		t.Errorf("an endless configuration: %v", err)
	}
	if err := <-fed; err == nil {
		t.Error("all of it was read")
	}
}

// The spelling of a path must not hide that two probes share a bus address or a
// file, or give one bus two owners.
func TestPathsAreCompared(t *testing.T) {
	probe := func(id, keys string) string {
		return "[[probe]]\nid = \"" + id + "\"\nplace = \"room\"\n" + keys
	}
	for name, keys := range map[string][2]string{
		"read the same path": {"family = \"iio\"\npath = \"/sys/x\"\n", "family = \"iio\"\npath = \"/sys/y/../x/\"\n"},
		"both answer at":     {"family = \"sht4x\"\nbus = \"/dev/i2c-1\"\n", "family = \"sht4x\"\nbus = \"/dev//i2c-1\"\n"},
	} {
		_, err := Decode("f", []byte(minimalRoom+probe("one", keys[0])+probe("two", keys[1])), testFamilies)
		if err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("want %q, got %v", name, err)
		}
	}
}

// "Local" is a word of Go's for whatever zone the board has.
func TestLocalIsNoTimezone(t *testing.T) {
	_, err := Decode("f", []byte(minimalRoom+"[room]\ntimezone = \"Local\"\n"), testFamilies)
	if err == nil || !strings.Contains(err.Error(), `the timezone "Local" is not known`) {
		t.Errorf("got %v", err)
	}
}
