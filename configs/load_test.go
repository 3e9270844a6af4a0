package configs

import (
	"testing"
)

func TestShippedFilesDecodeWithoutWarning(t *testing.T) {
	for name, data := range map[string][]byte{"example.toml": Example(), "demo.toml": Demo()} {
		c, err := Decode(name, data)
		if err != nil {
			t.Errorf("%s:\n%v", name, err)
			continue
		}
		for _, w := range c.Warnings {
			t.Errorf("%s warns: %v", name, w)
		}
	}
}
