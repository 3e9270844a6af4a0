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
)

// A checker compares what was decoded with what can be true.
type checker struct {
	*decoder
	doc        *element
	c          *Config
	ownSpecies []Species // as the keeper's [[species]] sections stand in doc
	families   Families
	warnings   Faults
	// The ids that other sections may name.
	enclosureIDs, lampIDs, mistIDs []string
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
		enclosureIDs: idsOf(c.Enclosures, func(e *Enclosure) string { return e.ID }),
		lampIDs:      idsOf(c.Lamps, func(l *Lamps) string { return l.ID }),
		mistIDs:      idsOf(c.Mists, func(m *Mist) string { return m.ID }),
	}
}

// fault reports what is wrong with a key of table, unless its value was refused already.
// It points at the table where that lacks the key, or for the empty key.
func (k *checker) fault(table *element, key, do, format string, args ...any) {
	k.judge(Unusable, table, key, do, format, args...)
}

// faultIf is fault where something holds.
func (k *checker) faultIf(wrong bool, table *element, key, do, format string, args ...any) {
	if wrong {
		k.fault(table, key, do, format, args...)
	}
}

// refuse is fault where a room can be watched all the same.
func (k *checker) refuse(table *element, key, do, format string, args ...any) {
	k.judge(Refused, table, key, do, format, args...)
}

func (k *checker) judge(how Severity, table *element, key, do, format string, args ...any) {
	if table.bad || table.faulty(key) {
		return
	}
	at := table
	if key != "" {
		at = table.at(key)
	}
	k.add(at.key, do, format, args...)
	k.faults[len(k.faults)-1].Severity = how
	if at != table {
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
func (k *checker) identity(table *element, section, id string, seen map[string]int) {
	line, twice := seen[id]
	switch {
	case !table.has("id"):
		k.fault(table, "id", `add one, as in id = "a-1"`, "this [[%s]] has no id", section)
		return
	case table.faulty("id"):
		return
	case k.plainID(table, id) && twice:
		k.fault(table, "id", "give each its own", "the id %q of this [[%s]] is used already in line %d", id, section, line)
	}
	seen[id] = table.at("id").key.line
}

// plainID checks the letters of an id, and that it is not the program's own.
func (k *checker) plainID(table *element, id string) bool {
	switch {
	case !validID(id):
		k.fault(table, "id", idAdvice(id), "the id %q has characters outside a-z, 0-9 and hyphen, or is too long", id)
	case id == "dewline":
		k.fault(table, "id", "choose another id", `the id "dewline" stands for the program itself`)
	default:
		return true
	}
	return false
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

// oneOf checks a text against the few words that it may be.
func (k *checker) oneOf(table *element, key, got string, allowed ...string) bool {
	if slices.Contains(allowed, got) {
		return true
	}
	k.fault(table, key, didYouMean(got, allowed, "write one of "+quoteJoin(allowed)), "%s = %q is not known", key, got)
	return false
}

// reference checks that a key names the id of another section.
func (k *checker) reference(table *element, key, got, section string, ids []string) {
	if slices.Contains(ids, got) {
		return
	}
	do := "write one of " + listed(ids)
	if len(ids) == 0 {
		do = fmt.Sprintf("add a [[%s]] section with that id", section)
	}
	k.fault(table, key, didYouMean(got, ids, do), "%s = %q names no [[%s]]", key, got, section)
}

// keys checks what the tags of fields say, and the ids of sections.
func (k *checker) keys(t *element, v reflect.Value) {
	for i := range v.NumField() {
		f, tag := v.Field(i), v.Type().Field(i).Tag
		key := tag.Get("toml")
		given := t.fields[key]
		switch span, words := tag.Get("within"), tag.Get("oneof"); {
		case given == nil:
		case span != "":
			k.span(t, key, f, span)
		case words != "":
			k.oneOf(t, key, f.String(), strings.Split(words, ",")...)
		case f.Kind() == reflect.Struct:
			k.keys(given, f)
		case f.Kind() == reflect.Slice && f.Type().Elem().Kind() == reflect.Struct:
			seen := map[string]int{}
			for j := range min(f.Len(), len(given.items)) {
				if id := f.Index(j).FieldByName("ID"); id.IsValid() {
					k.identity(given.items[j], key, id.String(), seen)
				}
				k.keys(given.items[j], f.Index(j))
			}
		}
	}
}

// span checks that a number is from one end to the other.
func (k *checker) span(t *element, key string, f reflect.Value, span string) {
	low, high, _ := strings.Cut(span, " to ")
	least, most := reflect.New(f.Type()).Elem(), reflect.New(f.Type()).Elem()
	read(least, low)
	read(most, high)
	if amount(f) >= amount(least) && amount(f) <= amount(most) {
		return
	}
	shown := fmt.Sprint(f.Interface())
	if f.Kind() != reflect.Int { // a quantity is written in quotes
		shown = strconv.Quote(shown)
	}
	k.fault(t, key, "write "+span, "%s = %s is out of range", key, shown)
}

func amount(v reflect.Value) float64 {
	if v.CanInt() {
		return float64(v.Int())
	}
	return v.Float()
}

// within takes a default for right by construction.
func (k *checker) within(table *element, key string, got, least, most Duration) {
	k.faultIf(table.has(key) && (got < least || got > most), table, key,
		fmt.Sprintf("write %s to %s", least, most), "%s = %q is out of range", key, got)
}

// address checks an http or other URL with a host.
func (k *checker) address(table *element, key, got string, schemes ...string) {
	k.addressShown(table, key, got, got, schemes)
}

// secretAddress repeats no path, which may be a secret.
func (k *checker) secretAddress(table *element, got string) {
	shown, from := got, 0
	if i := strings.Index(got, "://"); i >= 0 {
		from = i + len("://")
	}
	if i := strings.IndexAny(got[from:], "/?#"); i >= 0 {
		shown = got[:from+i+1] + "…"
	}
	k.addressShown(table, "url", got, shown, []string{"https", "http"})
}

func (k *checker) addressShown(table *element, key, got, shown string, schemes []string) {
	u, err := url.Parse(got)
	if strings.Contains(shown, "@") {
		shown = "…"
	}
	switch {
	case err != nil:
		k.fault(table, key, "write for example "+schemes[0]+"://host/", "%s = %q is not an address", key, shown)
	case !slices.Contains(schemes, u.Scheme):
		k.fault(table, key, "begin it with one of "+strings.Join(schemes, "://, ")+"://", "%s = %q has no known beginning", key, shown)
	case u.Hostname() == "":
		k.fault(table, key, "write for example "+schemes[0]+"://host/", "%s = %q names no host", key, shown)
	case u.User != nil:
		k.fault(table, key, "keep secrets in a file of their own", "%s holds a user name or password", key)
	case !validPort(cmp.Or(u.Port(), "1")):
		k.fault(table, key, "write a port from 1 to 65535", "%s = %q has no usable port", key, shown)
	}
}

func validPort(port string) bool {
	n, err := strconv.Atoi(port)
	return err == nil && n >= 1 && n <= 65535
}

// together checks that two keys are given both or not at all.
func (k *checker) together(table *element, a, b string) {
	if table.has(a) != table.has(b) {
		given, missing := a, b
		if table.has(b) {
			given, missing = b, a
		}
		k.fault(table, given, "add "+missing, "%s needs %s beside it", given, missing)
	}
}

// listenAddress checks host:port. Port 0 asks the system for a free one.
func (k *checker) listenAddress(table *element, key, got string) {
	_, port, err := net.SplitHostPort(got)
	if n, bad := strconv.Atoi(port); err != nil || bad != nil || n < 0 || n > 65535 {
		k.fault(table, key, `write for example "127.0.0.1:8077"`, "%s = %q is not host:port", key, got)
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

// Families are what a configuration asks of the kinds of probe that there are.
type Families interface {
	// Complete fills in what a probe's family decides, before the checks.
	Complete(p *Probe)
	// Check reports what is wrong with how a [[probe]] section says that it is reached.
	Check(s *Section, p Probe)
}

// A Section is one section of the file with its places, for those who know
// better than this package what may stand in it.
type Section struct {
	k *checker
	t *element
}

// Has reports whether the section gives the key.
func (s *Section) Has(key string) bool { return s.t.has(key) }

// Keys returns the section's keys in the order of the file.
func (s *Section) Keys() []string { return slices.Clone(s.t.names) }

// Fault reports what is wrong with a key and what to do, as the package's own checks do.
func (s *Section) Fault(key, do, format string, args ...any) {
	s.k.fault(s.t, key, do, format, args...)
}

// FaultIf is Fault where something holds.
func (s *Section) FaultIf(wrong bool, key, do, format string, args ...any) {
	s.k.faultIf(wrong, s.t, key, do, format, args...)
}

// OneOf checks a text against the few words that it may be.
func (s *Section) OneOf(key, got string, allowed ...string) { s.k.oneOf(s.t, key, got, allowed...) }

// Within checks that a duration is from least to most, both included.
func (s *Section) Within(key string, got, least, most Duration) {
	s.k.within(s.t, key, got, least, most)
}

// Together checks that two keys are given both or not at all.
func (s *Section) Together(a, b string) { s.k.together(s.t, a, b) }

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
