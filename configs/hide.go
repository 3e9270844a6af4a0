package configs

import (
	"crypto/sha256"
	"fmt"
	"net/url"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// HiddenTag marks fields whose values may hold a secret: they are not shown.
const HiddenTag = "hidden"

// Masked returns the text of a configuration with what may hold a secret hidden,
// so that a copy can be kept where more people look. What differs in two texts
// differs when they are masked. A text that is no TOML is not returned.
func Masked(text []byte) []byte {
	var p unstable.Parser
	p.Reset(text)
	var out []byte
	done := 0
	hide := func(path []string, n *unstable.Node) {
		if from := int(n.Raw.Offset); n.Kind == unstable.String && isHidden(path) && from >= done {
			out = append(out, text[done:from]...)
			out = strconv.AppendQuote(out, maskedValue(path[len(path)-1], string(n.Data)))
			done = from + int(n.Raw.Length)
		}
	}
	var section []string
	for p.NextExpression() {
		switch n := p.Expression(); n.Kind {
		case unstable.Table, unstable.ArrayTable:
			section = keyOf(n)
		case unstable.KeyValue:
			eachValue(append(slices.Clone(section), keyOf(n)...), n.Value(), hide)
		}
	}
	if p.Error() != nil {
		return nil
	}
	return append(out, text[done:]...)
}

func keyOf(n *unstable.Node) (path []string) {
	for keys := n.Key(); keys.Next(); {
		path = append(path, string(keys.Node().Data))
	}
	return path
}

// eachValue calls f for a value and for those within it, in the order of the text.
func eachValue(path []string, n *unstable.Node, f func([]string, *unstable.Node)) {
	f(path, n)
	for kids := n.Children(); n.Kind == unstable.InlineTable && kids.Next(); {
		eachValue(append(slices.Clone(path), keyOf(kids.Node())...), kids.Node().Value(), f)
	}
	for kids := n.Children(); n.Kind == unstable.Array && kids.Next(); {
		eachValue(path, kids.Node(), f)
	}
}

// isHidden reports whether the field on a path of keys has the HiddenTag.
func isHidden(path []string) bool {
	t := reflect.TypeFor[Config]()
	for _, key := range path {
		if t.Kind() == reflect.Slice {
			t = t.Elem()
		}
		if t.Kind() != reflect.Struct {
			return false
		}
		i := slices.IndexFunc(reflect.VisibleFields(t), func(f reflect.StructField) bool { return f.Tag.Get("toml") == key })
		if i < 0 {
			return false
		}
		if t.Field(i).Tag.Get(HiddenTag) != "" {
			return true
		}
		t = t.Field(i).Type
	}
	return false
}

// maskedValue stands for a hidden value: an address keeps its host.
func maskedValue(key, value string) string {
	sum := sha256.Sum256([]byte(value))
	hidden := fmt.Sprintf("hidden-%x", sum[:3])
	if key == "url" {
		return MaskURL(value) + hidden
	}
	return hidden
}

// MaskURL returns the part of an address that holds no secret, to the slash before
// the path.
func MaskURL(address string) string {
	u, err := url.Parse(address)
	if err != nil || u.Host == "" {
		return "https://hidden.invalid/"
	}
	return u.Scheme + "://" + u.Host + "/"
}

// SecretPaths lists the files in which a configuration keeps secrets; dir is where
// those without a slash are.
func SecretPaths(c *Config, dir string) []string {
	var out []string
	add := func(name string) {
		if name != "" && !strings.Contains(name, "/") {
			name = filepath.Join(dir, name)
		}
		if name != "" && !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	h, m := &c.HTTP, &c.MQTT
	for _, name := range []string{m.PasswordFile, m.KeyFile, m.CommandTokenFile, c.Mail.PasswordFile, h.TokenFile, h.TokensFile, h.KeyFile, c.Outside.URLFile} {
		add(name)
	}
	for _, p := range c.People {
		add(p.CommandKeyFile)
	}
	for _, w := range c.Webhooks {
		add(w.SecretFile)
		add(w.URLFile)
		for _, name := range w.HeaderFiles {
			add(name)
		}
	}
	slices.Sort(out)
	return out
}
