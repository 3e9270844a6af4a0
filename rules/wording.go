package rules

import (
	"slices"

	"dewline/configs/unit"
)

// degrees are hundredths of °C as readings hold them.
func degrees(centi int32) unit.Temperature { return unit.Temperature(centi) / 100 }

// told is what leaves the engine of a record: its sentences, which hold marked
// quantities, written in °C, and beside them in °F.
func (r *Record) told() (string, Detail) {
	d := r.Detail
	own := Wording{r.Text, d.Evidence, d.Excused, d.Unknown, d.FirstAction, d.DoFirst}
	if w := own.written(unit.Fahrenheit); own.hasMarks() {
		d.Fahrenheit = &w
	}
	c := own.written(unit.Celsius)
	d.Evidence, d.Excused, d.Unknown, d.FirstAction, d.DoFirst = c.Evidence, c.Excused, c.Unknown, c.FirstAction, c.DoFirst
	return c.Text, d
}

func (w *Wording) hasMarks() bool {
	return unit.HasMarks(w.Text) || unit.HasMarks(w.FirstAction) || unit.HasMarks(w.DoFirst) ||
		slices.ContainsFunc(w.Evidence, unit.HasMarks) || slices.ContainsFunc(w.Excused, unit.HasMarks) ||
		slices.ContainsFunc(w.Unknown, unit.HasMarks)
}

func (w *Wording) written(s unit.Scale) Wording {
	all := func(list []string) []string {
		list = slices.Clone(list)
		for i := range list {
			list[i] = unit.Write(list[i], s)
		}
		return list
	}
	return Wording{unit.Write(w.Text, s), all(w.Evidence), all(w.Excused), all(w.Unknown),
		unit.Write(w.FirstAction, s), unit.Write(w.DoFirst, s)}
}
