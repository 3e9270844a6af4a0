package configs

import (
	"cmp"
	"fmt"
	"net"
	"net/url"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

// A checker compares what was decoded with what can be true.
type checker struct {
	*decoder
	doc        *element
	c          *Config
	ownSpecies []Species // as the keeper's [[species]] sections stand in doc
	families   Families
	warnings   Faults
	ids        map[string][]string // that other sections may name, by their section
}

type (
	services struct{ *checker } // what holds for the room, and who is told by which way
	racks    struct{ *checker } // enclosures, and what lives, shines and mists in them
	probes   struct{ *checker }
	warner   struct{ *checker } // finds what is allowed and yet likely to be regretted
)

func newChecker(d *decoder, doc *element, c *Config, families Families) *checker {
	return &checker{
		decoder: d, doc: doc, c: c, families: families, ownSpecies: c.Species,
		ids: map[string][]string{
			"enclosure": idsOf(c.Enclosures, func(e *Enclosure) string { return e.ID }),
			"lamps":     idsOf(c.Lamps, func(l *Lamps) string { return l.ID }),
			"mist":      idsOf(c.Mists, func(m *Mist) string { return m.ID }),
			"person":    idsOf(c.People, func(p *Person) string { return p.ID }),
			"webhook":   idsOf(c.Webhooks, func(w *Webhook) string { return w.ID }),
		},
	}
}

// A Section is one section of the file with its places, and tells what is wrong in it.
type Section struct {
	*element
	k *checker
}

// section is the whole file where it has no such section.
func (k *checker) section(name string) *Section { return &Section{k.doc.at(name), k} }

func (k *checker) item(section string, i int) *Section { return &Section{k.doc.item(section, i), k} }

// Keys returns the section's keys in the order of the file.
func (s *Section) Keys() []string { return slices.Clone(s.names) }

// Fault reports what is wrong with a key and what to do, unless its value was refused
// already. It points at the section where that lacks the key, or for the empty key.
func (s *Section) Fault(key, do, format string, args ...any) {
	s.judge(Unusable, key, do, format, args...)
}

// FaultIf is Fault where something holds.
func (s *Section) FaultIf(wrong bool, key, do, format string, args ...any) {
	if wrong {
		s.Fault(key, do, format, args...)
	}
}

// refuse is Fault where a room can be watched all the same.
func (s *Section) refuse(key, do, format string, args ...any) {
	s.judge(Refused, key, do, format, args...)
}

func (s *Section) judge(how Severity, key, do, format string, args ...any) {
	if s.bad || s.faulty(key) {
		return
	}
	at := s.element
	if key != "" {
		at = s.at(key)
	}
	s.k.add(at.key, do, format, args...)
	s.k.faults[len(s.k.faults)-1].Severity = how
	if at != s.element {
		at.bad = true
	}
}

func (k *checker) warning(at *element, do, format string, args ...any) {
	k.warnings = append(k.warnings, Fault{
		File: k.file, Line: at.key.line, Col: at.key.col, What: fmt.Sprintf(format, args...), Do: do,
	})
}

// warningIf is warning where something holds.
func (k *checker) warningIf(doubtful bool, at *element, do, format string, args ...any) {
	if doubtful {
		k.warning(at, do, format, args...)
	}
}

// identity checks the id of one of several equal sections. Ids become topic
// levels, label values and file names, hence the narrow alphabet.
func (s *Section) identity(section, id string, seen map[string]int) {
	line, twice := seen[id]
	switch {
	case !s.Has("id"):
		s.Fault("id", `add one, as in id = "a-1"`, "this [[%s]] has no id", section)
		return
	case s.faulty("id"):
		return
	case s.plainID(id) && twice:
		s.Fault("id", "give each its own", "the id %q of this [[%s]] is used already in line %d", id, section, line)
	}
	seen[id] = s.at("id").key.line
}

// plainID checks the letters of an id, and that it is not the program's own.
func (s *Section) plainID(id string) bool {
	switch {
	case id == "":
		s.Fault("id", idAdvice(id), "the id is empty")
	case !validID(id):
		s.Fault("id", idAdvice(id), "the id %q has characters outside a-z, 0-9 and hyphen, or is too long", id)
	case id == "dewline":
		s.Fault("id", "choose another id", `the id "dewline" stands for the program itself`)
	default:
		return true
	}
	return false
}

// plainName checks that a name is one line and shows all that is in it: it stands in
// messages, titles and tables.
func (s *Section) plainName(name string) {
	hidden := strings.IndexFunc(name, func(r rune) bool {
		return unicode.IsControl(r) || unicode.In(r, unicode.Bidi_Control) && r != '\u200e' && r != '\u200f' || r == '\u2028' || r == '\u2029'
	})
	s.FaultIf(hidden >= 0, "name", "write it on one line, without characters that nobody sees", "the name %q has characters that break or turn a line", name)
}

const longestID = 64

func validID(id string) bool {
	return id != "" && len(id) <= longestID && !strings.ContainsFunc(id, func(r rune) bool {
		return (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '-'
	})
}

// idAdvice proposes the nearest allowed id.
func idAdvice(id string) string {
	plain := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9', r == '-':
			return r
		case r == ' ', r == '_', r == '/', r == '.':
			return '-'
		}
		return -1
	}, strings.ToLower(id))
	if plain = strings.Trim(plain, "-"); validID(plain) {
		return fmt.Sprintf("write for example %q", plain)
	}
	return `write for example "a-1"`
}

// OneOf checks a text against the few words that it may be.
func (s *Section) OneOf(key, got string, allowed ...string) bool {
	if slices.Contains(allowed, got) {
		return true
	}
	s.Fault(key, didYouMean(got, allowed, "write one of "+quoteJoin(allowed)), "%s = %q is not known", key, got)
	return false
}

// reference checks that a key names the id of another section.
func (s *Section) reference(key, got, section string) {
	ids := s.k.ids[section]
	if slices.Contains(ids, got) {
		return
	}
	do := "write one of " + listed(ids)
	if len(ids) == 0 {
		do = fmt.Sprintf("add a [[%s]] section with that id", section)
	}
	s.Fault(key, didYouMean(got, ids, do), "%s = %q names no [[%s]]", key, got, section)
}

// keys checks what the tags of fields say, and the ids of sections.
func (s *Section) keys(v reflect.Value) {
	for field, f := range v.Fields() {
		key := field.Tag.Get("toml")
		given := s.fields[key]
		switch {
		case given == nil:
		case f.Kind() == reflect.Struct:
			(&Section{given, s.k}).keys(f)
		case f.Kind() == reflect.Slice && f.Type().Elem().Kind() == reflect.Struct:
			s.sections(key, given, f)
		default:
			s.key(key, f, field.Tag)
		}
	}
}

func (s *Section) sections(key string, given *element, list reflect.Value) {
	seen := map[string]int{}
	for j := range min(list.Len(), len(given.items)) {
		item := &Section{given.items[j], s.k}
		if id := list.Index(j).FieldByName("ID"); id.IsValid() {
			item.identity(key, id.String(), seen)
		}
		item.keys(list.Index(j))
	}
}

// key checks what the tags of one field say.
func (s *Section) key(key string, f reflect.Value, tag reflect.StructTag) {
	span, words, section, schemes := tag.Get("within"), tag.Get("oneof"), tag.Get("ref"), tag.Get("address")
	switch {
	case key == "name" && f.Kind() == reflect.String:
		s.plainName(f.String())
	case schemes != "":
		s.address(key, f.String(), strings.Split(schemes, ","), tag.Get(HiddenTag) != "")
	case span != "":
		s.span(key, f, span)
	case words != "":
		s.OneOf(key, f.String(), strings.Split(words, ",")...)
	case section != "" && f.Kind() == reflect.String:
		s.reference(key, f.String(), section)
	case section != "":
		for j := range f.Len() {
			s.reference(key, f.Index(j).String(), section)
		}
	}
}

// span checks that a number is from one end to the other.
func (s *Section) span(key string, f reflect.Value, span string) {
	low, high, _ := strings.Cut(span, " to ")
	least, most := reflect.New(f.Type()).Elem(), reflect.New(f.Type()).Elem()
	read(least, low)
	read(most, high)
	shown := fmt.Sprint(f.Interface())
	if f.Kind() != reflect.Int { // a quantity is written in quotes
		shown = strconv.Quote(shown)
	}
	s.FaultIf(amount(f) < amount(least) || amount(f) > amount(most), key, "write "+span, "%s = %s is out of range", key, shown)
}

func amount(v reflect.Value) float64 {
	if v.CanInt() {
		return float64(v.Int())
	}
	return v.Float()
}

// Within checks that a duration is from least to most, both included; a default is.
func (s *Section) Within(key string, got, least, most Duration) {
	s.FaultIf(s.Has(key) && (got < least || got > most), key,
		fmt.Sprintf("write %s to %s", least, most), "%s = %q is out of range", key, got)
}

// address checks an URL with a host. Of a secret one it repeats no path.
func (s *Section) address(key, got string, schemes []string, secret bool) {
	if got == "" {
		return
	}
	u, err := url.Parse(got)
	shown := got
	_, rest, found := strings.Cut(got, "://")
	if !found {
		rest = got
	}
	if i := strings.IndexAny(rest, "/?#"); secret && i >= 0 {
		shown = got[:len(got)-len(rest)+i+1] + "…"
	}
	if strings.Contains(shown, "@") {
		shown = "…"
	}
	switch {
	case err != nil:
		s.Fault(key, "write for example "+schemes[0]+"://host/", "%s = %q is not an address", key, shown)
	case !slices.Contains(schemes, u.Scheme):
		s.Fault(key, "begin it with one of "+strings.Join(schemes, "://, ")+"://", "%s = %q has no known beginning", key, shown)
	case u.Hostname() == "":
		s.Fault(key, "write for example "+schemes[0]+"://host/", "%s = %q names no host", key, shown)
	case u.User != nil:
		s.Fault(key, "keep secrets in a file of their own", "%s holds a user name or password", key)
	case !validPort(cmp.Or(u.Port(), "1")):
		s.Fault(key, "write a port from 1 to 65535", "%s = %q has no usable port", key, shown)
	}
}

func validPort(port string) bool {
	n, err := strconv.Atoi(port)
	return err == nil && n >= 1 && n <= 65535
}

// Together checks that two keys are given both or not at all.
func (s *Section) Together(a, b string) {
	if s.Has(a) != s.Has(b) {
		given, missing := a, b
		if s.Has(b) {
			given, missing = b, a
		}
		s.Fault(given, "add "+missing, "%s needs %s beside it", given, missing)
	}
}

// listenAddress checks host:port. Port 0 asks the system for a free one.
func (s *Section) listenAddress(key, got string) {
	_, port, err := net.SplitHostPort(got)
	if n, bad := strconv.Atoi(port); err != nil || bad != nil || n < 0 || n > 65535 {
		s.Fault(key, `write for example "127.0.0.1:8077"`, "%s = %q is not host:port", key, got)
	}
}

// idsOf returns the ids of a list of sections, without the missing ones.
func idsOf[T any](list []T, id func(*T) string) []string {
	ids := make([]string, 0, len(list))
	for i := range list {
		if s := id(&list[i]); s != "" {
			ids = append(ids, s)
		}
	}
	return ids
}

// Node checks how the messages of a node are reached and read; who names what it sends,
// and pointers are by their keys. A topic with a wildcard would mix several nodes into
// one.
func (s *Section) Node(who, topic string, pointers map[string]string) {
	for key, got := range pointers {
		s.FaultIf(got != "" && !strings.HasPrefix(got, "/"), key,
			fmt.Sprintf("write %q", "/"+got), "%s = %q is not a JSON pointer (RFC 6901)", key, got)
	}
	s.FaultIf(strings.ContainsAny(topic, "+#"), "topic", "write the topic of one node", "topic = %q has a wildcard", topic)
	s.FaultIf(topic != "" && s.k.c.MQTT.Broker == "", "topic",
		"add [mqtt] with a broker", "%s comes through a broker and there is none", who)
}
