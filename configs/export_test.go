package configs

// testFamilies are the probe families that the tests of this package decode
// with: the real ones, which this package must not import.
var testFamilies Families

// UseFamilies is for TestMain.
func UseFamilies(f Families) { testFamilies = f }
