// Package fieldlog reads and writes the field log: the plain CSV in which a
// night on a site is kept, sent and replayed.
//
// A Reader turns lines into rows, checked against the site file and in SI. A
// Replay turns rows into journal entries; an Export turns entries into rows
// again; a Writer prints rows. What was exported, replayed into a new journal
// and exported again is the same to the byte.
//
// The header is time,kind,name,value,unit,note and optionally known. Two times
// stand in a row: when the value was taken, and when the box knew it. A late
// row is a late reading and never turns time back. A time before which the box
// knew the value is possible too: the instrument's clock is ahead; the box goes
// by what it knew, curves by the instrument.
package fieldlog

import (
	"strconv"
	"strings"

	"standwatch/rules"
	"standwatch/sensors"
)

// The kinds of row.
const (
	Reading = "reading"
	Begin   = "begin"
	End     = "end"
	Command = "command"
	Mark    = "mark"
)

// Marks that the log itself knows by name. Any other is kept as it is.
const (
	powerCut   = "power-cut"       // a new boot begins
	clockSet   = "clock-set"       // the wall clock was corrected
	weight     = "cylinder-weight" // has a mass
	calibrated = "calibrated"      // its value is a difference
	unproven   = "unproven"        // note of a power cut whose length is not known
	restarted  = "restarted"       // note of a power cut that was none: only the program ended
	noValue    = "no-value"        // reason of a reading for which the log gives none
)

var commands = []string{"off", "fan", "cool", "heat"}

// Row is one line of a field log.
type Row struct {
	Time     int64 // when the value was taken, Unix ms
	Known    int64 // when the box knew it, Unix ms
	HasKnown bool  // else the greatest time so far
	Kind     string
	System   string // of begin and end, where the site has several
	Name     string // the point, the step, the unit or the mark
	Value    float64
	HasValue bool
	Unit     string // of the value: SI, or as written where the unit is not known
	Note     string
}

// health is what a reading's row says of it: without a note good, with a value
// and a note suspect, without a value failed.
func (r *Row) health() sensors.Health {
	switch {
	case !r.HasValue && r.Note == "":
		return sensors.Health{Grade: sensors.Failed, Reason: noValue}
	case !r.HasValue:
		return sensors.Health{Grade: sensors.Failed, Reason: r.Note}
	case r.Note != "":
		return sensors.Health{Grade: sensors.Suspect, Reason: r.Note}
	}
	return sensors.Health{}
}

// toSI converts a mark's value. Where the unit is not known both stay as written.
func (r *Row) toSI() {
	if !r.HasValue {
		r.Value, r.Unit = 0, ""
		return
	}
	if r.Unit == "" {
		r.Unit = "1"
	}
	v, unit, err := sensors.SI(r.Value, r.Unit)
	if err == nil && unit == "C" && r.Kind == Mark && r.Name == calibrated { // how far off, and no temperature
		zero, _, _ := sensors.SI(0, r.Unit)
		v, unit = v-zero, "K"
	}
	if err == nil {
		// Twelve digits: what a person writes, without the last bits of a
		// multiplication (24 lb is 10.88621688 kg, not ...80000001).
		v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'g', 12, 64), 64)
		r.Value, r.Unit = v, unit
	}
	r.Value += 0 // a zero without its sign
}

// stepName is how begin and end name a step.
func stepName(system, step string) string {
	if system == "" {
		return step
	}
	return system + "/" + step
}

// cutStep is the inverse. A site with one system need not name it.
func cutStep(site rules.Site, name string) (system, step string) {
	if i := strings.LastIndexByte(name, '/'); i >= 0 {
		return name[:i], name[i+1:]
	}
	return site.SystemOf(""), name
}
