package configs

import (
	"cmp"
	"encoding"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// decoder fills structs from elements and collects every fault on the way.
// go-toml's own decoder stops at the first wrong value; a keeper who copies a
// file to a board wants to hear all of them at once.
type decoder struct {
	file    string
	faults  Faults
	prefill func(target any, source *element)
}

// full reports that more faults would not be shown.
func (d *decoder) full() bool { return len(d.faults) > mostFaults }

func (d *decoder) report(e *element, do, format string, args ...any) {
	d.add(e.key, do, format, args...)
	e.bad = true
}

func (d *decoder) add(at position, do, format string, args ...any) {
	d.faults = append(d.faults, Fault{File: d.file, Line: at.line, Col: at.col, What: fmt.Sprintf(format, args...), Do: do})
}

// table fills the struct v from the table e; where names the table in faults.
func (d *decoder) table(e *element, v reflect.Value, where string) {
	known := fieldsOf(v.Type())
	for _, name := range e.names {
		if d.full() {
			return
		}
		child := e.fields[name]
		if f, ok := known[name]; ok {
			d.value(child, v.FieldByIndex(f.Index), name)
			continue
		}
		names := slices.Collect(maps.Keys(known))
		d.report(child, didYouMean(name, names, "remove it, or write one of "+listed(names)), "unknown key %q in %s", name, where)
	}
}

// fieldsOf returns the fields of a section by the keys that fill them.
func fieldsOf(section reflect.Type) map[string]reflect.StructField {
	fields := make(map[string]reflect.StructField, section.NumField())
	for f := range section.Fields() {
		if f.Tag.Get("toml") != "" && f.Tag.Get("toml") != "-" {
			fields[f.Tag.Get("toml")] = f
		}
	}
	return fields
}

// value fills v from e; key is the name it stands under.
func (d *decoder) value(e *element, v reflect.Value, key string) {
	if v.Kind() == reflect.Pointer {
		v.Set(reflect.New(v.Type().Elem()))
		v = v.Elem()
	}
	if target, ok := v.Addr().Interface().(encoding.TextUnmarshaler); ok {
		d.quantity(e, target, key)
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		if d.expect(e, unstable.Table, key, "["+key+"] as a section of its own, once") {
			d.table(e, v, "["+key+"]")
		}
	case reflect.Slice:
		d.list(e, v, key)
	case reflect.Map:
		d.texts(e, v, key)
	default:
		d.scalar(e, v, key)
	}
}

// quantity hands the text of e to the type that knows its units. A bare
// number goes there too: the type says that the unit is missing.
func (d *decoder) quantity(e *element, target encoding.TextUnmarshaler, key string) {
	switch e.kind {
	case unstable.String, unstable.Integer, unstable.Float:
	default:
		example := target.(interface{ example() string }).example()
		d.report(e, fmt.Sprintf("write a text in quotes, as in %s = %q", key, example), "%s is %s", key, kindName(e.kind))
		return
	}
	err := target.UnmarshalText([]byte(e.text))
	if err == nil {
		return
	}
	do := "correct it"
	if q := (*quantityError)(nil); errors.As(err, &q) {
		err, do = errors.New(q.what), q.do
	}
	d.add(e.value, do, "%s: %v", key, err)
	e.bad = true
}

// list fills a slice: [[key]] sections for structs, an array for the rest.
func (d *decoder) list(e *element, v reflect.Value, key string) {
	sections := v.Type().Elem().Kind() == reflect.Struct && !isQuantity(v.Type().Elem())
	want := fmt.Sprintf(`a list, as in %s = ["…"]`, key)
	if sections {
		want = "[[" + key + "]] with double brackets before each one"
	}
	if !d.expect(e, unstable.Array, key, want) {
		return
	}
	v.Set(reflect.MakeSlice(v.Type(), len(e.items), len(e.items)))
	for i, item := range e.items {
		d.listItem(item, v.Index(i), key, sections)
		e.bad = e.bad || (item.bad && !sections)
	}
}

// listItem fills one section or one value of a list. A section starts from its
// defaults, so that a key left out and a key set to zero stay different.
func (d *decoder) listItem(item *element, v reflect.Value, key string, section bool) {
	switch {
	case !section:
		d.value(item, v, key)
	case d.expect(item, unstable.Table, key, "[["+key+"]] with double brackets before each one"):
		d.prefill(v.Addr().Interface(), item)
		d.table(item, v, "[["+key+"]]")
	}
}

// isQuantity reports whether values of t are written as one text.
func isQuantity(t reflect.Type) bool {
	return reflect.PointerTo(t).Implements(reflect.TypeFor[encoding.TextUnmarshaler]())
}

func (d *decoder) texts(e *element, v reflect.Value, key string) {
	if !d.expect(e, unstable.Table, key, "a section of names and texts") {
		return
	}
	v.Set(reflect.MakeMap(v.Type()))
	for _, name := range e.names {
		if child := e.fields[name]; d.expect(child, unstable.String, strconv.Quote(name), "a text in quotes") {
			v.SetMapIndex(reflect.ValueOf(name), reflect.ValueOf(child.text))
		}
	}
}

func (d *decoder) scalar(e *element, v reflect.Value, key string) {
	switch v.Kind() {
	case reflect.String:
		if d.expect(e, unstable.String, key, "a text in quotes") {
			v.SetString(e.text)
		}
	case reflect.Bool:
		if d.expect(e, unstable.Bool, key, "true or false, without quotes") {
			v.SetBool(e.text == "true")
		}
	case reflect.Int:
		if !d.expect(e, unstable.Integer, key, "a whole number, without quotes or unit") {
			return
		}
		n, err := strconv.ParseInt(e.text, 0, 32)
		if err != nil {
			d.report(e, "write a smaller one", "%s: the number %s is too large", key, e.text)
			return
		}
		v.SetInt(n)
	default:
		panic("configs: no decoder for " + v.Type().String())
	}
}

func (d *decoder) expect(e *element, kind unstable.Kind, key, want string) bool {
	if e.kind == kind {
		return true
	}
	d.report(e, "write "+want, "%s is %s", key, kindName(e.kind))
	return false
}

// kindName names what stands in the source, in a keeper's words.
func kindName(k unstable.Kind) string {
	switch k {
	case unstable.String:
		return "a text"
	case unstable.Integer:
		return "a whole number"
	case unstable.Float:
		return "a decimal number"
	case unstable.Bool:
		return "true or false"
	case unstable.Array:
		return "a list"
	case unstable.Table, unstable.InlineTable:
		return "a section"
	default:
		return "a bare date or time"
	}
}

// fill sets the defaults in the tags of a section and of the sections in it.
func fill(v reflect.Value) {
	for i := range v.NumField() {
		if text, ok := v.Type().Field(i).Tag.Lookup("default"); ok {
			read(v.Field(i), text)
		} else if v.Field(i).Kind() == reflect.Struct {
			fill(v.Field(i))
		}
	}
}

func read(v reflect.Value, text string) {
	var err error
	switch to := v.Addr().Interface().(type) {
	case encoding.TextUnmarshaler:
		err = to.UnmarshalText([]byte(text))
	case *int:
		*to, err = strconv.Atoi(text)
	default:
		v.SetString(text)
	}
	if err != nil {
		panic(fmt.Sprintf("configs: tag %q: %v", text, err)) // a test reads all
	}
}

func prefill(target any, source *element, table []Species) {
	fill(reflect.ValueOf(target).Elem())
	s, ok := target.(*Species)
	if !ok {
		return
	}
	s.grade(CellExposure, GradeExposure)
	if id := source.fields["id"]; id != nil {
		if i := indexSpecies(table, id.text); i >= 0 {
			*s = table[i]
		}
	}
	for key, cell := range cells {
		if source.Has(key) {
			s.grade(cell, GradeKeeper)
		}
	}
}

// Families are what a configuration asks of the kinds of probe that there are.
type Families interface {
	// Complete fills in what a probe's family decides, before the checks.
	Complete(p *Probe)
	// Check reports what is wrong with how a [[probe]] section says that it is reached.
	Check(s *Section, p Probe)
}

// derive fills in defaults that depend on other keys. It runs before the
// checks, which so see the values that would be used.
func (c *Config) derive(families Families) {
	c.Room.Name = cmp.Or(c.Room.Name, c.Room.ID)
	c.Summary.Weekday = strings.ToLower(c.Summary.Weekday)
	// One reading may be lost to a collision on the bus without a word.
	if c.Rules.SilentAfter == 0 {
		c.Rules.SilentAfter = max(3*c.Room.Poll, 30*second)
	}
	if c.Store.MaxMiB == 0 {
		c.Store.MaxMiB = 4096
		if strconv.IntSize == 32 { // the file is mapped into 3 GB at most
			c.Store.MaxMiB = 256
		}
	}
	if c.Mail.Port == 0 {
		c.Mail.Port = map[string]int{"implicit": 465, "none": 25}[c.Mail.TLS]
		c.Mail.Port = cmp.Or(c.Mail.Port, 587)
	}
	for i := range c.Probes {
		p := &c.Probes[i]
		families.Complete(p)
		p.TemperatureUnit = plainUnit(p.TemperatureUnit)
		// Two spellings of one bus would get two owners.
		p.Bus, p.Path = cleanPath(p.Bus), cleanPath(p.Path)
	}
	for i := range c.Enclosures {
		c.Enclosures[i].Name = cmp.Or(c.Enclosures[i].Name, c.Enclosures[i].ID)
	}
	for i := range c.Mists {
		c.Mists[i].Supply = cmp.Or(c.Mists[i].Supply, c.Mists[i].ID)
	}
	for i := range c.People {
		p := &c.People[i]
		p.Name, p.Units = cmp.Or(p.Name, p.ID), plainUnit(p.Units)
	}
}

func cleanPath(path string) string {
	if path == "" {
		return ""
	}
	return filepath.Clean(path)
}

// plainUnit brings the spellings of a temperature unit to "°C" and "F".
func plainUnit(unit string) string {
	switch unit {
	case "C":
		return "°C"
	case "°F":
		return "F"
	}
	return unit
}
