package rules

import (
	"fmt"
	"strings"

	"standwatch/sensors"
)

// The sentences of calibrations: what a verdict was read by, whose calibration
// has run out, and marks of which nothing could be made.

// Difference says a difference between two values of a quantity, with its sign.
func Difference(v float64, q sensors.Quantity) string {
	switch q {
	case sensors.Temperature:
		return WithSign(v, 2) + " K"
	case sensors.Vacuum:
		return plus(AsGiven(v/micronPa)) + " micron"
	case sensors.Pressure, sensors.AbsolutePressure:
		return plus(AsGiven(v/psiPa)) + " psi"
	case sensors.Mass:
		return WithSign(v, 3) + " kg"
	case sensors.Humidity:
		return WithSign(v*100, 1) + " %"
	}
	return plus(AsGiven(v)) + " " + q.SI()
}

// Words say a correction as people do: +0.40 K; times 1.002, then -0.10 K.
func (c Correction) Words(q sensors.Quantity) string { return fixWords(c, q) }

func fixWords(c Correction, q sensors.Quantity) string {
	offset := Difference(c.Offset, q)
	switch {
	case c.Gain == 1:
		return offset
	case !strings.ContainsAny(offset, "123456789"): // less than is written of it
		return fmt.Sprintf("times %.6g", c.Gain)
	}
	return fmt.Sprintf("times %.6g, then %s", c.Gain, offset)
}

func readCorrected(points []string) string {
	if len(points) == 0 {
		return ""
	}
	return fmt.Sprintf(" Read with the corrections that stood at the step's begin: %s.", strings.Join(points, "; "))
}

func readExchanged(points []string) string {
	if len(points) == 0 {
		return ""
	}
	return fmt.Sprintf(" Another instrument has hung since at %s.", strings.Join(points, ", "))
}

func readUncorrected(points []string) string {
	if len(points) == 0 {
		return ""
	}
	return fmt.Sprintf(" Recorded since, and not in these figures: %s.", strings.Join(points, "; "))
}

func waitsWords(now *Correction, q sensors.Quantity) string {
	if now == nil {
		return "as it shows"
	}
	return fixWords(*now, q)
}

func heldUncorrected(point, now string, peakPa, limitPa float64) string {
	return fmt.Sprintf("Vacuum hold not proven: by what was recorded of %s since its begin (%s) it came to %s, past its limit of %s. Begin the hold again: it is then judged by that.",
		point, now, micronSI(peakPa), micron(limitPa))
}

func readExpired(points []string) string {
	if len(points) == 0 {
		return ""
	}
	return fmt.Sprintf(" The calibration had run out of: %s.", strings.Join(points, ", "))
}

func heldByTwo(step string, points []string) string {
	return fmt.Sprintf("%s not proven: the instrument at %s was exchanged while it was under way, so its beginning and its end were read by two. Hold again with one.", stepWord(step), strings.Join(points, ", "))
}

func calibrationExpired(step string, points []string) string {
	of := points[0]
	if n := len(points); n > 1 {
		of = fmt.Sprintf("%d instruments that it reads: %s", n, strings.Join(points[:min(n, 6)], ", "))
		if n > 6 {
			of += fmt.Sprintf(" and %d more", n-6)
		}
	}
	return fmt.Sprintf("%s has begun, and the calibration has run out of %s. It is judged all the same, and the verdict will say so. Check each against something known, on the point's page, and begin the step again; or see that who takes over the system accepts it.",
		stepWord(step), of)
}

func calibrationWaits(point, step, what string) string {
	return fmt.Sprintf("%s: %s while the step is under way. %s goes on with what it began with, so that nothing seems to jump. To have it judged anew, end it and begin it again.", point, what, stepWord(step))
}

func calibrationSaid(m CalibrationMark, q sensors.Quantity) string {
	if m.What == Withdrawn {
		return "its correction was withdrawn"
	}
	return "a correction of " + fixWords(m.Fix, q) + " was recorded"
}

func instrumentExchanged(point, step string) string {
	return fmt.Sprintf("Another instrument hangs at %s from here on, while the step is under way, and the correction of the one before has ended. What %s finds across the change may be the instruments' difference. Calibrate the new one, and begin the step again if its result hangs on this point.",
		point, strings.ToLower(stepWord(step)))
}

func calibrationUnclear(m CalibrationMark, name string) string {
	of := m.Point
	if of == "" {
		of = "an instrument"
	}
	form := "POINT shows 0.4 C at 0 C against the ice point by NAME; POINT offset -12 micron; POINT checked within 0.2 K; POINT withdrawn"
	if name == "placed" {
		form = "POINT exchanged serial NUMBER by NAME"
	}
	return fmt.Sprintf("A mark speaks of %s, and nothing was made of it: %s. It is kept, and the point is read as before. Write it anew, on the point's page or so: %s.", of, m.Problem, form)
}
