package configs

import _ "embed"

// exampleTOML is the commented example of a room with real probes.
//
//go:embed example.toml
var exampleTOML []byte

// testFamilies are the probe families that the tests of this package decode
// with: the real ones, which this package must not import.
var testFamilies Families

// UseFamilies is for TestMain.
func UseFamilies(f Families) { testFamilies = f }

// Load and Decode are as those of package table, for the families named.
func Load(path string, families Families) (*Config, error) {
	return Strict(LoadInForce(path, families))
}

func Decode(name string, data []byte, families Families) (*Config, error) {
	return Strict(DecodeInForce(name, data, families))
}
