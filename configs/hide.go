package configs

import (
	"cmp"
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
	doc, err := indexDocument(text)
	if err != nil {
		return nil
	}
	secrets := secretsIn(doc, reflect.TypeFor[Config](), "", false)
	slices.SortFunc(secrets, func(a, b secret) int { return cmp.Compare(a.raw.Offset, b.raw.Offset) })
	var out []byte
	done := uint32(0)
	for _, s := range secrets {
		out = append(out, text[done:s.raw.Offset]...)
		out = strconv.AppendQuote(out, maskedValue(s.key, s.text))
		done = s.raw.Offset + s.raw.Length
	}
	return append(out, text[done:]...)
}

// A secret is a text that may hold one, and the key that it stands under.
type secret struct {
	*element
	key string
}

// secretsIn lists the texts of e, which fills a t, that stand under a HiddenTag.
func secretsIn(e *element, t reflect.Type, key string, hidden bool) (found []secret) {
	if hidden && e.kind == unstable.String {
		return []secret{{e, key}}
	}
	if t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	for _, item := range e.items {
		found = append(found, secretsIn(item, t, key, hidden)...)
	}
	for name, child := range e.fields {
		of, tagged := t, hidden
		if t.Kind() == reflect.Struct {
			of, tagged = fieldFor(t, name)
		}
		found = append(found, secretsIn(child, of, name, tagged)...)
	}
	return found
}

// fieldFor returns the type of a key's field, and whether it has the HiddenTag.
func fieldFor(t reflect.Type, key string) (reflect.Type, bool) {
	for i := range t.NumField() {
		if f := t.Field(i); f.Tag.Get("toml") == key {
			return f.Type, f.Tag.Get(HiddenTag) != ""
		}
	}
	return reflect.TypeFor[string](), false // a key that nobody knows
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
