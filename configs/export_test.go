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
