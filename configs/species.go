package configs

import (
	_ "embed"
	"fmt"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

//go:embed species.toml
var speciesTOML string

// speciesFile is the embedded table as it is written.
type speciesFile struct {
	Sources map[Grade]string `toml:"sources"`
	Species []struct {
		Species
		Grades map[string]Grade `toml:"grades"`
	} `toml:"species"`
}

func readSpecies() speciesFile {
	var file speciesFile
	decoder := toml.NewDecoder(strings.NewReader(speciesTOML)).DisallowUnknownFields()
	if err := decoder.Decode(&file); err != nil {
		// The table is part of the program; a test decodes it.
		panic(fmt.Sprintf("configs: embedded species table: %v", err))
	}
	return file
}

// SpeciesTable returns a fresh copy of the embedded species table. Its limits
// are defaults, not veterinary advice.
func SpeciesTable() []Species {
	file := readSpecies()
	table := make([]Species, len(file.Species))
	for i, row := range file.Species {
		table[i] = row.Species
		for _, cell := range cells {
			table[i].grade(cell, GradeCommon)
		}
		table[i].grade(CellExposure, GradeExposure)
		for key, g := range row.Grades {
			table[i].grade(cells[key], g)
		}
	}
	return table
}

// A Grade is a letter for where a limit comes from.
type Grade string

// The grades that are given outside of the embedded table.
const (
	GradeCommon        Grade = "C"
	GradeExposure      Grade = "E"
	GradeJudged        Grade = "J"
	GradeKeeper        Grade = "K"
	GradeMetamorphosis Grade = "M"
	GradeEmbryo        Grade = "N"
)

// Sources returns what each grade stands for.
func Sources() map[Grade]string { return readSpecies().Sources }

// A Cell is one limit of a species that has a source of its own.
type Cell int

// The cells.
const (
	CellDay Cell = iota
	CellNight
	CellTolerated
	CellDrop
	CellFloor
	CellDry
	CellWarn
	CellAct
	CellLethal
	CellCool
	CellCold
	CellExposure
	numCells
)

// cells are the cells by the keys that set them.
var cells = map[string]Cell{
	"day": CellDay, "night": CellNight, "tolerated": CellTolerated, "drop_min": CellDrop, "floor": CellFloor, "dry": CellDry,
	"warn": CellWarn, "act": CellAct, "ceiling": CellLethal, "cool": CellCool, "cold": CellCold,
	"exposure_boundary": CellExposure, "exposure_reference": CellExposure, "exposure_time": CellExposure, "exposure_tenfold": CellExposure,
}

// Grade returns where a limit comes from.
func (s *Species) Grade(c Cell) Grade { return s.grades[c] }

func (s *Species) grade(c Cell, g Grade) { s.grades[c] = g }

// indexSpecies returns the place of a species in table, -1 for none.
func indexSpecies(table []Species, id string) int {
	return slices.IndexFunc(table, func(s Species) bool { return s.ID == id })
}

// mergeSpecies lays the keeper's entries over the embedded ones.
func mergeSpecies(table, own []Species) []Species {
	for _, s := range own {
		if i := indexSpecies(table, s.ID); i >= 0 {
			table[i] = s
			continue
		}
		table = append(table, s)
	}
	return table
}

// giveWay lets go of what the table tolerates where the keeper wrote a band of
// their own, or a lower limit.
func (s *Species) giveWay(source *element) {
	if !source.has("tolerated") && (source.has("day") || source.has("night") || s.Tolerated.High > s.Warn) {
		s.Tolerated = Band{}
	}
}

// Watched is a band as it is judged: with what is tolerated at any hour.
func (s *Species) Watched(b Band) Band {
	if s.Tolerated != (Band{}) {
		b.Low, b.High = min(b.Low, s.Tolerated.Low), max(b.High, s.Tolerated.High)
	}
	return b
}

// LampsOf returns the lamp schedule of e; false where it has none.
func (c *Config) LampsOf(e Enclosure) (Lamps, bool) {
	return find(c.Lamps, func(l Lamps) bool { return e.Lamps != "" && l.ID == e.Lamps })
}

// MistOf returns the misting schedule of e; false where it has none.
func (c *Config) MistOf(e Enclosure) (Mist, bool) {
	return find(c.Mists, func(m Mist) bool { return e.Mist != "" && m.ID == e.Mist })
}

// ProbesOf returns the probes of the enclosure with that id, in file order.
func (c *Config) ProbesOf(enclosureID string) []Probe {
	var own []Probe
	for i := range c.Probes {
		if enclosureID != "" && c.Probes[i].Enclosure == enclosureID {
			own = append(own, c.Probes[i])
		}
	}
	return own
}

// find returns the first of a list that is wanted, false for none.
func find[T any](list []T, wanted func(T) bool) (found T, ok bool) {
	if i := slices.IndexFunc(list, wanted); i >= 0 {
		return list[i], true
	}
	return found, false
}
