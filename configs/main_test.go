package configs_test

import (
	"os"
	"testing"

	"dewline/configs"
	"dewline/sensors/table"
)

func TestMain(m *testing.M) {
	configs.UseFamilies(table.Families())
	os.Exit(m.Run())
}
