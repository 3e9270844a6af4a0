package configs

import (
	"cmp"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// largestSecret is more than any password, token or key needs.
const largestSecret = 64 << 10

// fromDirectory is how systemd begins the name of a credential that dewline's unit
// loads from its directory of secrets (systemd.exec(5), LoadCredential=).
const fromDirectory = "secrets_"

// ReadSecret reads a secret from a file, or from the systemd credential of that name in
// credentialsDir when it has no slash. One newline at the end, which editors add, is no
// part of it. A file that everybody on the board can read is refused.
func ReadSecret(nameOrPath, credentialsDir string) (string, error) {
	secret, why := readSecret(nameOrPath, credentialsDir)
	if why != nil {
		return "", &SecretError{Name: nameOrPath, Why: why.Error()}
	}
	return secret, nil
}

// A SecretError says why a secret cannot be read, and what to do.
type SecretError struct{ Name, Why string }

func (e *SecretError) Error() string { return fmt.Sprintf("read the secret %q: %s", e.Name, e.Why) }

func readSecret(nameOrPath, credentialsDir string) (string, error) {
	path := nameOrPath
	if !strings.Contains(nameOrPath, "/") {
		if nameOrPath == "" || nameOrPath == "." || nameOrPath == ".." {
			return "", errors.New("write the path of a file or the name of a credential")
		}
		if credentialsDir == "" {
			return "", errors.New("a name without a slash is a systemd credential and there is no credentials directory; start dewline by its unit, or write a path")
		}
		path = filepath.Join(credentialsDir, fromDirectory+nameOrPath)
		if _, err := os.Stat(path); err != nil {
			path = filepath.Join(credentialsDir, nameOrPath)
		}
	}
	data, err := readPrivate(path)
	if err != nil {
		return "", err
	}
	secret := strings.TrimSuffix(strings.TrimSuffix(string(data), "\n"), "\r")
	if secret == "" {
		return "", fmt.Errorf("the file %s is empty; put the secret into it", path)
	}
	return secret, nil
}

// readPrivate looks before it opens: opening a pipe would wait for ever.
func readPrivate(path string) ([]byte, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("there is no file %s; create it with mode 0600, a credential in /etc/dewline/secrets, and restart", path)
	case err != nil:
		return nil, err
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("%s is not a file; name a file", path)
	case info.Mode().Perm()&0o007 != 0:
		return nil, fmt.Errorf("%s is open to everybody (mode %04o); run: chmod 600 %s", path, info.Mode().Perm(), path)
	case info.Size() > largestSecret:
		return nil, fmt.Errorf("%s has %d bytes, more than any secret; name the right file", path, info.Size())
	}
	return os.ReadFile(path)
}

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
	var known map[string]reflect.StructField
	if t.Kind() == reflect.Struct {
		known = fieldsOf(t)
	}
	for name, child := range e.fields {
		of, tagged := t, hidden
		if t.Kind() == reflect.Struct {
			of, tagged = reflect.TypeFor[string](), false // for a key that nobody knows
			if f, ok := known[name]; ok {
				of, tagged = f.Type, f.Tag.Get(HiddenTag) != ""
			}
		}
		found = append(found, secretsIn(child, of, name, tagged)...)
	}
	return found
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
