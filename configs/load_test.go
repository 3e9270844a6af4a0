package configs

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
)

func TestShippedFilesDecodeWithoutWarning(t *testing.T) {
	for name, data := range map[string][]byte{"example.toml": exampleTOML, "demo.toml": Demo()} {
		c, err := Decode(name, data, testFamilies)
		if err != nil {
			t.Errorf("%s:\n%v", name, err)
			continue
		}
		for _, w := range c.Warnings {
			t.Errorf("%s warns: %v", name, w)
		}
	}
}

// A keeper learns the keys from the example: it must show every one there is.
func TestExampleShowsEveryKey(t *testing.T) {
	missing := map[string]bool{}
	collectKeys(reflect.TypeFor[Config](), missing)
	for key := range missing {
		if regexp.MustCompile(`\b` + key + `( =|\]|,|; and)`).Match(exampleTOML) {
			delete(missing, key)
		}
	}
	if len(missing) > 0 {
		t.Errorf("example.toml does not show %v", slices.Sorted(maps.Keys(missing)))
	}
}

func collectKeys(t reflect.Type, keys map[string]bool) {
	for i := range t.NumField() {
		key, field := t.Field(i).Tag.Get("toml"), t.Field(i).Type
		if key == "" || key == "-" {
			continue
		}
		keys[key] = true
		if field.Kind() == reflect.Slice {
			field = field.Elem()
		}
		if field.Kind() == reflect.Struct && !isQuantity(field) {
			collectKeys(field, keys)
		}
	}
}

// One file for each fault, its whole message, and no file without one.
func TestEveryFaultHasItsMessage(t *testing.T) {
	files, err := filepath.Glob("testdata/invalid-*.toml")
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, path := range files {
		name := filepath.Base(path)
		names = append(names, name)
		t.Run(name, func(t *testing.T) {
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			_, err = Decode(name, data, testFamilies)
			var faults *Faults
			if !errors.As(err, &faults) {
				t.Fatalf("error %v is no *Faults", err)
			}
			if got, want := err.Error(), faultMessages[name]; got != want {
				t.Errorf("got:\n%s\nwant:\n%s", got, want)
			}
		})
	}
	if want := slices.Sorted(maps.Keys(faultMessages)); !slices.Equal(names, want) {
		t.Errorf("files %v, messages for %v", names, want)
	}
}

// Line and column must point at what the message speaks of, also behind
// characters of several bytes and in a file with Windows line ends and a byte
// order mark.
func TestPlacesCountCharacters(t *testing.T) {
	source := "\ufeff# Räume\r\nroom = { name = \"Größe\", poll = \"10\", colour = 1 }\r\n[[enclosure]]\r\nid = \"ä\" # ä\r\n"
	_, err := Decode("f", []byte(source), testFamilies)
	var faults *Faults
	if !errors.As(err, &faults) {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimPrefix(source, "\ufeff"), "\r\n")
	for i, at := range []string{`"10"`, "colour", "enclosure", "enclosure", "id"} {
		if i >= len(*faults) {
			t.Fatalf("only %d faults:\n%v", len(*faults), faults)
		}
		f := (*faults)[i]
		if rest := string([]rune(lines[f.Line-1])[f.Col-1:]); !strings.HasPrefix(rest, at) {
			t.Errorf("fault %q points at %q, want %q", f, rest, at)
		}
	}
}

func TestSyntaxFaultCountsCharacters(t *testing.T) {
	_, err := Decode("f", []byte("[room]\nname = \"Größe\" x\n"), testFamilies)
	if err == nil || !strings.HasPrefix(err.Error(), "f:2:16: not valid TOML: ") {
		t.Errorf("got %v, want a fault at f:2:16", err)
	}
}

func TestLoadNamesTheFile(t *testing.T) {
	dir := t.TempDir()
	if _, err := Load(filepath.Join(dir, "none.toml"), testFamilies); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("missing file: %v", err)
	}
	path := filepath.Join(dir, "room.toml")
	if err := os.WriteFile(path, []byte("colour = 1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Load(path, testFamilies); err == nil || !strings.HasPrefix(err.Error(), path+":1:1: ") {
		t.Errorf("fault does not begin with its place: %v", err)
	}
	if err := os.WriteFile(path, bytes.Repeat([]byte("#\n"), largestFile), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Load(path, testFamilies); err == nil || !strings.Contains(err.Error(), "larger than 1024 KiB") {
		t.Errorf("huge file: %v", err)
	}
	if err := os.WriteFile(path, Demo(), 0o600); err != nil {
		t.Fatal(err)
	}
	if c, err := Load(path, testFamilies); err != nil || len(c.Enclosures) != 12 {
		t.Errorf("demo from disk: %v", err)
	}
}

// Check against go-toml's own strict decoder as reference library: what the
// collecting decoder accepts, it must accept and read the same.
func TestSameAsStrictDecoder(t *testing.T) {
	for name, data := range map[string][]byte{"example.toml": exampleTOML, "demo.toml": Demo()} {
		compareWithStrict(t, name, data)
	}
}

func compareWithStrict(t *testing.T, name string, data []byte) {
	t.Helper()
	doc, fault := parse(name, data)
	if fault != nil {
		return
	}
	d := &decoder{file: name, prefill: func(any, *element) {}}
	var mine, strict Config
	d.table(doc, reflect.ValueOf(&mine).Elem(), "the file")
	if len(d.faults) > 0 {
		return
	}
	if err := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields().Decode(&strict); err != nil {
		t.Fatalf("%s: accepted here, refused by the strict decoder: %v", name, err)
	}
	if !reflect.DeepEqual(mine, strict) {
		t.Errorf("%s:\nhere   %+v\nstrict %+v", name, mine, strict)
	}
}

func TestDefaults(t *testing.T) {
	c := decodeOK(t, minimalRoom+"\n[[webhook]]\nid = \"push\"\nurl = \"https://example.org/\"\n[[person]]\nid = \"p\"\n[[mist]]\nid = \"m\"\ntimes = [\"08:00\"]\n[room]\npoll = \"20 s\"\n")
	for _, x := range []struct {
		what      string
		got, want any
	}{
		{"room id", c.Room.ID, "room"},
		{"room name", c.Room.Name, "room"},
		{"silent after three polls", c.Rules.SilentAfter, 60 * second},
		{"deadband", c.Rules.BandDeadband, CelsiusDelta(0.5)},
		{"stage", c.Enclosures[0].Stage, Adult},
		{"enclosure name", c.Enclosures[0].Name, "a"},
		{"budget", c.Probes[0].Budget, 2 * second},
		{"longest pulse", c.Mists[0].Longest, 15 * minute},
		{"supply", c.Mists[0].Supply, "m"},
		{"units", c.People[0].Units, "°C"},
		{"escalation", c.People[0].EscalateAfter, 10 * minute},
		{"mail port", c.Mail.Port, 587},
		{"summary", c.Summary.At.String(), "07:00"},
		{"listen", c.HTTP.Listen, "127.0.0.1:8077"},
		{"drill", c.Drill.Every, Duration(month)},
		{"species", len(c.Species), 7},
	} {
		if x.got != x.want {
			t.Errorf("%s: %v, want %v", x.what, x.got, x.want)
		}
	}
	if c.Room.Location == nil {
		t.Error("no location")
	}
}

// Silence is three polls and never under 30 s; the file limit is what a board
// can map: 4 GiB of address space leave little on 32 bits.
func TestDefaultsThatDependOnOthers(t *testing.T) {
	for poll, want := range map[string]Duration{"5 s": 30 * second, "10 s": 30 * second, "60 s": 180 * second} {
		if c := decodeOK(t, minimalRoom+"[room]\npoll = \""+poll+"\"\n"); c.Rules.SilentAfter != want {
			t.Errorf("poll %s: silent after %v, want %v", poll, c.Rules.SilentAfter, want)
		}
	}
	want := 4096
	if uint64(math.MaxUint) == math.MaxUint32 {
		want = 256
	}
	if c := decodeOK(t, minimalRoom); c.Store.MaxMiB != want {
		t.Errorf("largest file %d MiB, want %d", c.Store.MaxMiB, want)
	}
	for tls, port := range map[string]int{"starttls": 587, "implicit": 465, "none": 25} {
		c := decodeOK(t, minimalRoom+"[mail]\nhost = \"h\"\nfrom = \"a@example.org\"\ntls = \""+tls+"\"\n")
		if c.Mail.Port != port { // RFC 6409, RFC 8314, RFC 5321
			t.Errorf("tls %s: port %d, want %d", tls, c.Mail.Port, port)
		}
	}
}

func TestFaultsAreTidy(t *testing.T) {
	a, b, c := Fault{"f", 2, 9, "b", "x", 0}, Fault{"f", 10, 1, "a", "x", 0}, Fault{"f", 2, 9, "a", "x", 0}
	if got, want := (Faults{b, a, c, a}).tidy().Error(), "f:2:9: a; x\nf:2:9: b; x\nf:10:1: a; x"; got != want {
		t.Errorf("got:\n%s\nwant:\n%s", got, want)
	}
}

// A file that is no configuration must be refused soon, not searched for hours
// and not answered with megabytes.
func TestFilesThatAreNoConfiguration(t *testing.T) {
	var keys strings.Builder
	for i := range 20_000 {
		fmt.Fprintf(&keys, "key%d=1\n", i)
	}
	for name, x := range map[string]struct{ source, want string }{
		"many keys":     {keys.String(), "f:499:1: more faults from here on; correct those before first, then check again"},
		"many sections": {strings.Repeat("[[probe]]\n", 10_000), "more faults from here on"},
		"deep key":      {"[room]\n[" + strings.Repeat("a.", 400_000) + "a]\n", "f:2:1: the line has 800004 bytes, more than 16384; break it up, or name the configuration file"},
		"deep list":     {"a = " + strings.Repeat("[\n", 20_000), "not valid TOML"},
	} {
		_, err := Decode("f", []byte(x.source), testFamilies)
		if err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%s: %.300v", name, err)
			continue
		}
		if lines := strings.Count(err.Error(), "\n") + 1; lines > mostFaults {
			t.Errorf("%s: %d lines", name, lines)
		}
	}
}

func TestGivenValuesBeatDefaults(t *testing.T) {
	c := decodeOK(t, minimalRoom+`
[room]
timezone = "America/Chicago"
[http]
listen = ""
[rules]
silent_after = "45 s"
band_on_delay = "0 s"
[mail]
host = "smtp.example.org"
from = "a@example.org"
tls = "implicit"
[[probe]]
id = "cold"
family = "bh1750"
place = "room"
bus = "/dev/i2c-1"
`)
	if c.HTTP.Listen != "" || c.Rules.SilentAfter != 45*second || c.Rules.BandOnDelay != 0 || c.Mail.Port != 465 {
		t.Errorf("listen %q, silent after %v, on-delay %v, port %d", c.HTTP.Listen, c.Rules.SilentAfter, c.Rules.BandOnDelay, c.Mail.Port)
	}
	if c.Room.Location.String() != "America/Chicago" || c.Probes[1].Address != 0x23 {
		t.Errorf("location %v, address %#x", c.Room.Location, c.Probes[1].Address)
	}
}

const minimalRoom = `
[[enclosure]]
id = "a"
species = "dendrobates-auratus"

[[probe]]
id = "a-canopy"
family = "simulated"
place = "canopy"
enclosure = "a"
`

func decodeOK(t *testing.T, source string) *Config {
	t.Helper()
	c, err := Decode("room.toml", []byte(source), testFamilies)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

var faultLine = regexp.MustCompile(`^f:[1-9][0-9]*:[1-9][0-9]*: .+; .+$`)

// Whatever the bytes: a complete Config or faults, each on one line with a
// place inside the file, never a panic; and never more than the strict
// decoder accepts.
func FuzzDecode(f *testing.F) {
	f.Add(exampleTOML)
	f.Add(Demo())
	files, _ := filepath.Glob("testdata/invalid-*.toml")
	for _, path := range files {
		data, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := Decode("f", data, testFamilies)
		if err == nil {
			if c.Room.Location == nil || len(c.Enclosures)+len(c.Sentinel.Rooms) == 0 {
				t.Fatalf("incomplete without an error: %+v", c)
			}
			compareWithStrict(t, "f", bytes.TrimPrefix(data, []byte("\ufeff")))
			return
		}
		lines := bytes.Count(data, []byte("\n")) + 1
		faults := *err.(*Faults)
		for _, fault := range faults {
			if !faultLine.MatchString(fault.String()) || fault.Line > lines {
				t.Fatalf("fault %q in a file of %d lines", fault, lines)
			}
		}
	})
}

// go test -bench Decode -benchmem ./configs
func BenchmarkDecode(b *testing.B) {
	for b.Loop() {
		if _, err := Decode("example.toml", exampleTOML, testFamilies); err != nil {
			b.Fatal(err)
		}
	}
}

// A file that cannot be read is told in the keeper's words, with what to do.
func TestLoad_Unreadable(t *testing.T) {
	dir := t.TempDir()
	for path, want := range map[string]string{
		filepath.Join(dir, "none.toml"): "none.toml: there is no such file; name the configuration's file with --config",
		dir:                             ": this is a directory; name the configuration's file with --config",
	} {
		_, _, err := LoadInForce(path, nil)
		if err == nil || !strings.HasSuffix(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
	if _, _, err := LoadInForce(filepath.Join(dir, "none.toml"), nil); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%v hides that there is no file", err)
	}
}
