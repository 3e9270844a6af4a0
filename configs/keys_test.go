package configs

import (
	"reflect"
	"strings"
	"testing"
)

// Every tag can be read as what its field is, spans rise and are written as faults show
// them, and what a key holds where it is left out is allowed.
func TestTags(t *testing.T) {
	var walk func(where string, v reflect.Value) int
	walk = func(where string, v reflect.Value) (tags int) {
		fill(v)
		for i := range v.NumField() {
			f, tag := v.Field(i), v.Type().Field(i).Tag
			at := where + "." + tag.Get("toml")
			if span, ok := tag.Lookup("within"); ok {
				tags++
				low, high, _ := strings.Cut(span, " to ")
				ends := [2]reflect.Value{reflect.New(f.Type()).Elem(), reflect.New(f.Type()).Elem()}
				read(ends[0], low)
				read(ends[1], high)
				if amount(ends[0]) >= amount(ends[1]) {
					t.Errorf("%s: %q does not rise", at, span)
				}
				if text, ok := ends[1].Interface().(interface{ String() string }); ok && text.String() != high {
					t.Errorf("%s: %q is shown as %q", at, high, text)
				}
				if _, given := tag.Lookup("default"); given && (amount(f) < amount(ends[0]) || amount(f) > amount(ends[1])) {
					t.Errorf("%s: its default %v is not %s", at, f, span)
				}
			}
			if words := tag.Get("oneof"); words != "" && f.String() != "" && !strings.Contains(","+words+",", ","+f.String()+",") {
				t.Errorf("%s: its default %q is none of %s", at, f, words)
			}
			switch {
			case f.Kind() == reflect.Struct && tag.Get("toml") != "-":
				tags += walk(at, f)
			case f.Kind() == reflect.Slice && f.Type().Elem().Kind() == reflect.Struct:
				tags += walk(at, reflect.New(f.Type().Elem()).Elem())
			}
		}
		return tags
	}
	if n := walk("", reflect.ValueOf(new(Config)).Elem()); n < 20 {
		t.Errorf("%d spans", n)
	}
}
