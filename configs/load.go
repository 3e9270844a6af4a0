package configs

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"reflect"
	"slices"
	"strings"
	"syscall"
	_ "time/tzdata" // a slim board image may come without a zone database
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
)

//go:embed demo.toml
var demoTOML []byte

// largestFile is far above a description of 200 enclosures; it keeps a path
// typed wrong (a log, a database) from being read into memory as TOML.
const largestFile = 1 << 20

// longestLine is more than any line of a configuration needs. It bounds what
// parsers do that get slow with the number of parts in one dotted key.
const longestLine = 16 << 10

// Demo returns the room that `dewline demo` simulates.
func Demo() []byte { return bytes.Clone(demoTOML) }

// LoadInForce reads and decodes the file at path, which may be in force already: what is
// refused but can be watched is returned beside the Config. Where its content is at fault
// the error is a *Faults.
func LoadInForce(path string, families Families) (*Config, Faults, error) {
	data, err := readBounded(path)
	if err != nil {
		return nil, nil, &unreadable{path, err}
	}
	return DecodeInForce(path, data, families)
}

// An unreadable configuration is told in the words of who named it.
type unreadable struct {
	path string
	err  error
}

func (u *unreadable) Unwrap() error { return u.err }

func (u *unreadable) Error() string {
	switch {
	case errors.Is(u.err, fs.ErrNotExist):
		return u.path + ": there is no such file; name the configuration's file with --config"
	case errors.Is(u.err, fs.ErrPermission):
		return u.path + ": you may not read this file; use sudo, or name another with --config"
	case errors.Is(u.err, syscall.EISDIR):
		return u.path + ": this is a directory; name the configuration's file with --config"
	}
	return u.path + ": the configuration cannot be read: " + errors.Unwrap(u.err).Error() + "; name another file with --config"
}

// readBounded reads at most one byte more than a configuration may have: a
// device or a pipe tells no size and may never end.
func readBounded(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, largestFile+1))
}

// Strict makes an error of what is refused.
func Strict(c *Config, refused Faults, err error) (*Config, error) {
	if err == nil && len(refused) > 0 {
		return nil, &refused
	}
	return c, err
}

// DecodeInForce is LoadInForce of a text. The *Faults are every fault found, of the file
// name; where it is not TOML, only the first such place.
func DecodeInForce(name string, data []byte, families Families) (*Config, Faults, error) {
	fault := oversized(name, data)
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	var doc *element
	if fault == nil {
		doc, fault = parse(name, data)
	}
	if fault != nil {
		return nil, nil, &Faults{*fault}
	}
	table := SpeciesTable()
	d := &decoder{file: name, prefill: func(target any, source *element) { prefill(target, source, table) }}
	c := new(Config)
	all := reflect.ValueOf(c).Elem()
	fill(all)
	d.table(doc, all, "the file")

	for i := range c.Species {
		c.Species[i].giveWay(doc.item("species", i))
	}
	k := newChecker(d, doc, c, families)
	c.derive(families)
	merged := mergeSpecies(table, c.Species)
	k.ids["species"] = idsOf(merged, func(s *Species) string { return s.ID })
	(&Section{doc, k}).keys(all)
	c.Species = merged
	k.all()
	usable := d.faults.usable()
	faults := d.faults.tidy().atMost(mostFaults)
	if !usable {
		return nil, nil, &faults
	}
	warner{k}.warn()
	c.Warnings = k.warnings.tidy()
	c.seasonMists()
	return c, faults, nil
}

// PlaceOf finds a key in the text of a configuration: of a section such as "mail", or
// "webhook push" by its id. Without the key it is the section's header, and 1, 1 where
// there is none.
func PlaceOf(text []byte, section, key string) (line, col int) {
	doc, fault := parse("", bytes.TrimPrefix(text, []byte("\ufeff")))
	if fault != nil {
		return 1, 1
	}
	name, id, _ := strings.Cut(section, " ")
	t := doc.at(name)
	if i := slices.IndexFunc(t.items, func(e *element) bool { return e.at("id").text == id }); i >= 0 {
		t = t.items[i]
	}
	at := t.at(key).key
	return at.line, at.col
}

// oversized returns a fault for a text, or the first line of it, that is too long for a
// configuration.
func oversized(name string, data []byte) *Fault {
	if len(data) > largestFile {
		what := fmt.Sprintf("the file is larger than %d KiB, more than any room needs", largestFile>>10)
		return &Fault{File: name, Line: 1, Col: 1, What: what, Do: "name the room's configuration file"}
	}
	line := 0
	for text := range bytes.Lines(data) {
		if line++; len(text) > longestLine {
			what := fmt.Sprintf("the line has %d bytes, more than %d", len(text), longestLine)
			return &Fault{File: name, Line: line, Col: 1, What: what, Do: "break it up, or name the configuration file"}
		}
	}
	return nil
}

// parse leaves the syntax, duplicate keys and clashing tables to go-toml.
func parse(name string, data []byte) (*element, *Fault) {
	var all map[string]any
	err := toml.Unmarshal(data, &all)
	var doc *element
	if err == nil {
		doc, err = indexDocument(data)
	}
	if err == nil {
		return doc, nil
	}
	at := position{1, 1}
	if de := (*toml.DecodeError)(nil); errors.As(err, &de) {
		line, col := de.Position()
		at = inCharacters(data, line, col)
	}
	return nil, &Fault{
		File: name, Line: at.line, Col: at.col,
		What: "not valid TOML: " + strings.Join(strings.Fields(strings.TrimPrefix(err.Error(), "toml: ")), " "),
		Do:   syntaxAdvice(data, at, err.Error()),
	}
}

// inCharacters turns go-toml's column in bytes into one in characters.
func inCharacters(data []byte, line, col int) position {
	starts := lineStarts(data)
	line = min(max(line, 1), len(starts))
	return placeAt(data, starts, starts[line-1]+max(col, 1)-1)
}

const quotesAdvice = `put texts and quantities between straight quotes, as in volume = "90 L"`

// syntaxAdvice says what to do about a place that go-toml refused: its own
// words are those of the grammar, not of somebody who copied a section.
func syntaxAdvice(data []byte, at position, reason string) string {
	const correct = "correct this place first, then check again"
	if !utf8.Valid(data) {
		return "save the file as UTF-8 in the editor, then check again"
	}
	if strings.Contains(reason, "control character") {
		return "remove what does not show there, or write the line anew"
	}
	lines := strings.Split(string(data), "\n")
	line := strings.TrimSpace(lines[min(at.line, len(lines))-1])
	if strings.ContainsAny(line, "“”„‟«»‘’") || unquoted(line) {
		return quotesAdvice
	}
	name := strings.TrimSpace(strings.Trim(strings.SplitN(line, "#", 2)[0], "[] \t"))
	section, known := fieldsOf(reflect.TypeFor[Config]())[name]
	switch {
	case strings.Contains(reason, "already") && strings.HasPrefix(line, "[") && known && section.Type.Kind() == reflect.Slice:
		return fmt.Sprintf("write [[%s]] with double brackets before each one", name)
	case strings.Contains(reason, "already"):
		return "write it once: join the two, or give the second another name"
	}
	return correct
}

// unquoted reports whether a line would be TOML if what stands behind its
// equals sign stood in quotes.
func unquoted(line string) bool {
	key, value, found := strings.Cut(line, "=")
	value, _, _ = strings.Cut(value, "#")
	value = strings.TrimSpace(value)
	if !found || value == "" || strings.ContainsAny(value, `"'[]{}\`) {
		return false
	}
	var got map[string]any
	return toml.Unmarshal([]byte(line), &got) != nil && toml.Unmarshal([]byte(key+`= "`+value+`"`), &got) == nil
}

// all checks every section. The time zone, which others need, comes first.
func (k *checker) all() {
	s, r, p := services{k}, racks{k}, probes{k}
	for _, check := range []func(){
		s.room, r.size, s.rules, s.mqtt, s.http, s.store,
		r.species, r.lamps, r.mists, r.enclosures, r.seasons, p.probes, p.buses, p.contacts,
		s.mail, s.webhooks, s.people, s.duties, s.drill, s.sounder, s.sentinel,
	} {
		check()
	}
}
