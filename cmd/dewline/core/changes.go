package core

import (
	"fmt"
	"reflect"
	"strings"

	"dewline/configs"
)

type change struct{ key, old, new string }

// maxChanges bounds what the journal is told of; a longer list is a new room.
const maxChanges = 200

// changesOf lists what differs between two configurations, by the keys of the
// file. Elements of a list are named by their id. What may hold a secret is not
// shown.
func changesOf(a, b *configs.Config) []change {
	var out []change
	compare(reflect.ValueOf(a).Elem(), reflect.ValueOf(b).Elem(), "", &out)
	if len(out) > maxChanges {
		more := len(out) - maxChanges
		out = append(out[:maxChanges:maxChanges], change{key: "and more", new: fmt.Sprintf("%d other settings", more)})
	}
	return out
}

func compare(a, b reflect.Value, key string, out *[]change) {
	switch {
	case a.Kind() == reflect.Struct && isSection(a.Type()):
		for i := range a.NumField() {
			name := a.Type().Field(i).Tag.Get("toml")
			if name == "" || name == "-" {
				continue
			}
			key := strings.TrimPrefix(key+"."+name, ".")
			if a.Type().Field(i).Tag.Get(configs.HiddenTag) == "" {
				compare(a.Field(i), b.Field(i), key, out)
			} else if !reflect.DeepEqual(a.Field(i).Interface(), b.Field(i).Interface()) {
				*out = append(*out, change{key, "not shown", "another, not shown"})
			}
		}
	case a.Kind() == reflect.Slice && a.Type().Elem().Kind() == reflect.Struct:
		compareLists(a, b, key, out)
	case !reflect.DeepEqual(a.Interface(), b.Interface()):
		*out = append(*out, change{key, printed(a), printed(b)})
	}
}

// isSection tells a table of the file from a quantity made of two numbers.
func isSection(t reflect.Type) bool {
	return t.NumField() > 0 && t.Field(0).Tag.Get("toml") != ""
}

func compareLists(a, b reflect.Value, key string, out *[]change) {
	before, after := byID(a), byID(b)
	for i := range a.Len() {
		id := idOf(a.Index(i))
		if other, ok := after[id]; ok {
			compare(a.Index(i), other, key+"."+id, out)
		} else {
			*out = append(*out, change{key: key + "." + id, old: "there", new: "gone"})
		}
	}
	for i := range b.Len() {
		id := idOf(b.Index(i))
		if _, ok := before[id]; !ok {
			*out = append(*out, change{key: key + "." + id, old: "not there", new: "added"})
		}
	}
}

func byID(list reflect.Value) map[string]reflect.Value {
	m := make(map[string]reflect.Value, list.Len())
	for i := range list.Len() {
		m[idOf(list.Index(i))] = list.Index(i)
	}
	return m
}

func idOf(v reflect.Value) string {
	if f := v.FieldByName("ID"); f.IsValid() {
		return f.String()
	}
	return fmt.Sprint(v.Interface())
}

func printed(v reflect.Value) string {
	if v.Kind() == reflect.Pointer {
		if v.IsNil() {
			return "the default"
		}
		v = v.Elem()
	}
	return fmt.Sprint(v.Interface())
}
