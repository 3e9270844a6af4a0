package configs

import (
	"fmt"
	"reflect"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
)

const quotesAdvice = `put texts and quantities between straight quotes, as in volume = "90 L"`

// syntaxAdvice says what to do about a place that go-toml refused: its own
// words are those of the grammar, not of somebody who copied a section.
func syntaxAdvice(data []byte, at position, reason string) string {
	const correct = "correct this place first, then check again"
	if !utf8.Valid(data) {
		return "save the file as UTF-8 in the editor, then check again"
	}
	lines := strings.Split(string(data), "\n")
	line := strings.TrimSpace(lines[min(at.line, len(lines))-1])
	if strings.ContainsAny(line, "“”„‟«»‘’") || unquoted(line) {
		return quotesAdvice
	}
	name := strings.TrimSpace(strings.Trim(strings.SplitN(line, "#", 2)[0], "[] \t"))
	switch {
	case strings.Contains(reason, "already") && strings.HasPrefix(line, "[") && isListSection(name):
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

// isListSection reports whether a section may stand several times.
func isListSection(name string) bool {
	config := reflect.TypeFor[Config]()
	for i := range config.NumField() {
		if f := config.Field(i); f.Tag.Get("toml") == name {
			return f.Type.Kind() == reflect.Slice
		}
	}
	return false
}
