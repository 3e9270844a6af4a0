package configs

import (
	_ "embed"
	"fmt"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// Species is one entry of the species table. All limits are defaults and not
// veterinary advice; each can be overridden. Its fields are the keys of a
// [[species]] section, and so more than other types have.
type Species struct {
	ID   string `toml:"id"`
	Name string `toml:"name"`
	Day  Band   `toml:"day"`
	// Night is the wanted band while the lamps are off.
	Night Band `toml:"night"`
	// Tolerated is no excursion at any hour; zero for none.
	Tolerated Band `toml:"tolerated"`
	// DropMin is the least wanted fall from lamp-on to lamp-off medians. How cold
	// a night may be is for the night band: DropMax of older files is not judged.
	DropMin CelsiusDelta `toml:"drop_min"`
	DropMax CelsiusDelta `toml:"drop_max"`
	// Floor is the humidity that must be kept; below Dry it is urgent.
	Floor Percent `toml:"floor"`
	Dry   Percent `toml:"dry"`
	// Warn, Act and Lethal are the three heat limits: worth a look, act now,
	// lethal. Each is reached at the value itself.
	Warn   Celsius `toml:"warn"`
	Act    Celsius `toml:"act"`
	Lethal Celsius `toml:"ceiling"`
	// Cool and Cold are the two lower limits: worth a look, act now.
	Cool Celsius `toml:"cool"`
	Cold Celsius `toml:"cold"`
	// Exposure: dose counts above Boundary with ten times the weight per
	// TenfoldPer; the reference is ReferenceTime at ReferenceTemp.
	Boundary      Celsius      `toml:"exposure_boundary" default:"28 °C"`
	ReferenceTemp Celsius      `toml:"exposure_reference" default:"32 °C"`
	ReferenceTime Duration     `toml:"exposure_time" default:"2 h"`
	TenfoldPer    CelsiusDelta `toml:"exposure_tenfold" default:"3 °C"`
	// Company is how adults live together; Space is what each of them needs, 0 for
	// unknown; for a species new to the table common practice, no source.
	Company Company `toml:"company" oneof:"pair,group"`
	Space   Litres  `toml:"space" default:"10 gal"`
	// EggFeeder: its tadpoles live in leaf axils, in the adults' climate.
	EggFeeder bool `toml:"egg_feeder"`
	// Source says where the keeper's own limits come from.
	Source string `toml:"source"`

	grades [numCells]Grade
}

// Company is how the adults of a species live together.
type Company string

// The companies.
const (
	Pairs  Company = "pair"
	Groups Company = "group"
)

//go:embed species.toml
var speciesTOML string

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
	if !source.Has("tolerated") && (source.Has("day") || source.Has("night") || s.Tolerated.High > s.Warn) {
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
