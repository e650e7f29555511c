package rules

import (
	"fmt"
	"math"
	"time"

	"standwatch/sensors"
)

// The pressure test's sentences.

func psi(pa float64) string { return figure(pa, sensors.Pressure) }

// doubtful says how far off a pressure may be.
func doubtful(pa float64) string {
	return fmt.Sprintf("%s (%s)", PSI.Doubt(pa), Kilopascal.Doubt(pa))
}

// psiFine says a small difference of pressure.
func psiFine(pa float64) string { return PSI.Beside(Kilopascal, pa) }

// pressMoved says what is left of a change once temperature and barometer are allowed for.
func pressMoved(v pressView) string {
	return fmt.Sprintf("%s psi (%s kPa) once temperature and barometer are allowed for, give or take %s",
		plus(PSI.Number(v.changePa)), plus(Kilopascal.Number(v.changePa)), doubtful(2*v.doubtPa))
}

// leakRate says a leak in the units of the trade's leak detectors.
func leakRate(paM3PerS float64) string {
	if math.IsNaN(paM3PerS) {
		return ""
	}
	_, si, us := Figure("pressure-test", "leak_pa_m3_per_s", paM3PerS)
	return fmt.Sprintf(", %s (%s)", si, us)
}

func pressFast(dropPa, nowPa float64) string {
	return fmt.Sprintf("Pressure at %s: %s lost within 10 min. Something has opened or burst, or somebody vents. Stand clear, and find out who is at the pipe.", psi(nowPa), psiFine(dropPa))
}

func pressVented(dropPa, nowPa float64) string {
	return fmt.Sprintf("Pressure at %s: %s lost within 10 min, after the test, which passed. If it is being vented, end the step. If not, something has opened or burst: stand clear.", psi(nowPa), psiFine(dropPa))
}

func pressFalls(v pressView, ends time.Duration) string {
	return fmt.Sprintf("Pressure falling: %s, and %s an hour. It will surely not hold for its %s. Soap the joints now, not tomorrow.",
		pressMoved(v), psiFine(-v.slopePaPerS*3600), span(ends))
}

func pressStill(nowPa float64) string {
	return fmt.Sprintf("The pressure stands still again, at %s. If a valve to another part was opened, begin the test again.", psi(nowPa))
}

func pressAgain(v pressView) string {
	return fmt.Sprintf("The pressure falls no more than the doubt: %s. Sun, wind or a pipe without a clamp looked like a leak.", pressMoved(v))
}

func pressFilled(nowPa float64) string {
	return fmt.Sprintf("Gas was let in, to %s. The comparison begins anew from here.", psi(nowPa))
}

func pressHigh(nowPa float64, ceiling Setting) string {
	above := "above"
	if nowPa-ceiling.Value < 0.1*psiPa { // both read alike
		above = "just above"
	}
	return fmt.Sprintf("Pressure at %s, %s the %s it must never pass (%s). Keep everybody clear of the pipe, shut the nitrogen cylinder and let some out slowly: the lowest-rated part decides.",
		psiFine(nowPa), above, psiFine(ceiling.Value), ceiling.Source)
}

func pressLower(nowPa float64, ceiling Setting) string {
	return fmt.Sprintf("Pressure at %s, below %s again.", psiFine(nowPa), psiFine(ceiling.Value))
}

// pressUnit says that the gauge seems to speak another unit than the site file says.
func pressUnit(nowPa float64, is, would string, target Setting) string {
	return fmt.Sprintf("The gauge gives %s where the target is %s. Read as %s instead of %s it would be close to it: look at the gauge, put the unit right in the site file (unit: %s), and begin the test again.",
		psi(nowPa), psi(target.Value), would, is, would)
}

func pressPassed(v pressView, spanS, leak float64, target Setting) string {
	return fmt.Sprintf("Pressure test passed: %s after %s, %s. It could have seen a leak of %s an hour%s; what is smaller only bubbles find. Target %s (%s). Let the nitrogen out slowly, outdoors.",
		psi(v.end.gaugePa), span(v.t), pressMoved(v), psiFine(2*v.doubtPa/spanS*3600), leakRate(leak), psi(target.Value), target.Source)
}

func pressFailed(v pressView, spanS, leak float64) string {
	return fmt.Sprintf("Pressure test failed: %s, all the way down, %s an hour%s. Soap every joint, let the nitrogen out before anything is loosened or brazed, mend, and test again.",
		pressMoved(v), psiFine(-v.changePa/spanS*3600), leakRate(leak))
}

func pressEmptied(nowPa float64) string {
	return fmt.Sprintf("Pressure test failed: the nitrogen has gone, %s is left. If it was let out on purpose, end the step and test again; if not, something has opened or burst: stand clear, find it and mend it.", psi(nowPa))
}

// pressNoGauge says that no reading had a value, and why the newest had none.
func pressNoGauge(failing string) string {
	switch failing {
	case "":
		return "Pressure test not proven: no gauge was heard. Connect one and begin the test again."
	case sensors.ReasonOffScale:
		return "Pressure test not proven: the gauge gave no value that can be a pressure: does it speak the unit that the site file gives it? Put that right, or look at the gauge, and begin the test again."
	}
	return fmt.Sprintf("Pressure test not proven: the gauge gave no value: %s. Look at it and its cable, and begin the test again.", whyNoValue(failing))
}

func pressGap(unknown bool, most time.Duration) string {
	if unknown {
		return "Pressure test not proven: the box was off for a time that nobody knows. Begin the test again."
	}
	if most == 0 {
		return "Pressure test not proven: the gauge was not heard for half of the test. Begin the test again."
	}
	return fmt.Sprintf("Pressure test not proven: the gauge was not heard for %s and more. Begin the test again.", span(most))
}

// pressUnheard says what nobody saw of a test that is judged by its two ends.
func pressUnheard(missed time.Duration) string {
	return fmt.Sprintf(" The gauge was not heard for %s of it: what happened then shows only by the levels before and after.", span(missed))
}

func pressNothing() string {
	return "Pressure test not proven: too few readings to compare since the pipe was filled. Hold on."
}

func pressNotStood(stood, must time.Duration) string {
	return fmt.Sprintf("Pressure test not proven: the pipe was filled last %s ago, and the last stage must stand for %s. Hold on.", span(stood), span(must))
}

func pressTooShort(left, enough time.Duration) string {
	return fmt.Sprintf("Pressure test not proven: only %s are left to compare since the pipe was filled and had evened out. Hold on until it is %s.", span(left), span(enough))
}

func pressStuck(nowPa, shouldPa float64) string {
	return fmt.Sprintf("Pressure test not proven: the gauge has stood at %s without moving by a digit, where the temperature alone should have moved it by %s. Tap it, look at its valve and its cable, and begin the test again.", psi(nowPa), psiFine(shouldPa))
}

func pressNoTemp(v pressView) string {
	return fmt.Sprintf("Pressure test not proven: %s. The gas's temperature is not known at both ends. Clamp a thermometer to the pipe and hold on.", pressMoved(v))
}

// pressTooWide says that the thermometers leave more in doubt than none would.
func pressTooWide(v pressView) string {
	return fmt.Sprintf("Pressure test not proven: %s: so wide a doubt proves nothing. Look whether every clamp sits on the pipe and shows what can be, and hold on until the hour of the day at which the test began.", pressMoved(v))
}

func pressLow(bestPa float64, target Setting) string {
	return fmt.Sprintf("Pressure test not proven: it never came to its target of %s, only to %s. Fill up and begin again.", psi(target.Value), psi(bestPa))
}

func pressSun(v pressView) string {
	return fmt.Sprintf("Pressure test not proven: %s, and it went up and down on the way, as where sun or rooms warm pipes that have no clamp. Hold on until the hour of the day at which it began.", pressMoved(v))
}

func pressRises(v pressView) string {
	return fmt.Sprintf("Pressure test not proven: %s. Gas comes in: is the regulator shut and taken off, does a valve of the charged outdoor unit pass?", pressMoved(v))
}

func pressStep(v pressView) string {
	if v.changePa < -fastDropPa {
		return fmt.Sprintf("Pressure test not proven: %s, nearly all at once. Was a valve to another part opened? Begin the test again.", pressMoved(v))
	}
	return fmt.Sprintf("Pressure test not proven: %s, most of it in a short time. If a valve to another part was opened, begin the test again; if not, the sun came or went on pipes that have no clamp: hold on until the hour of the day at which the test began.", pressMoved(v))
}

func pressClose(v pressView) string {
	return fmt.Sprintf("Pressure test not proven: %s: neither tight nor surely leaking. Soap the joints and hold on.", pressMoved(v))
}

func pressEnded(now, ends time.Duration, v pressView) string {
	s := fmt.Sprintf("Pressure test not proven: ended after %s.", ofSpan(now, ends))
	if v.ok {
		s += fmt.Sprintf(" Until then %s.", pressMoved(v))
	}
	return s + " Only a test of its whole time proves it."
}

func pressStands(o Outlook, j *pressureTest) string {
	head := fmt.Sprintf("Pressure test, %s.", ofSpan(o.Elapsed, j.ends()))
	if !o.HasFig {
		return head + " The gauge has not been heard yet."
	}
	s := head + fmt.Sprintf(" %s, target %s", psi(o.Figure), psi(j.target.Value))
	unit := j.slip(j.level())
	switch v := j.view; {
	case o.Elapsed-j.last > bridged:
		return fmt.Sprintf("%s; last heard %s ago.", s, span(o.Elapsed-j.last))
	case unit != "":
		return fmt.Sprintf("%s. The gauge seems to speak %s: put its unit right in the site file.", s, unit)
	case j.high && float64(o.Figure) >= underCeiling*j.ceiling.Value: // the flag stays for a while after it is let out
		return s + ": too high. Stand clear, and let some out."
	case j.raised && j.falling == Wake:
		return s + ": fell at once. Stand clear, and find out what has opened."
	case j.raised:
		return fmt.Sprintf("%s: falling by %s an hour. Soap the joints now.", s, psiFine(-v.slopePaPerS*3600))
	case j.result == Passed:
		return s + ": passed. Let the nitrogen out slowly, outdoors."
	case j.result == NotPassed:
		return s + ": failed. Soap every joint."
	case !v.ok:
		return s + ". Still settling after the fill."
	case v.source == noTemperature:
		return s + ". No thermometer is on the pipe, so nothing will be proved: clamp one on."
	case math.Abs(v.changePa) <= 2*v.doubtPa:
		if j.bestPa < heldRatio*j.target.Value { // a stage on the way: tight there proves nothing of the last one
			head += fmt.Sprintf(" %s, not yet at its target of %s.", psi(o.Figure), psi(j.target.Value))
		}
		return fmt.Sprintf("%s Tight so far: %s. A leak of %s an hour would have been seen.", head, pressMoved(v), psiFine(2*v.doubtPa/j.spanS()*3600))
	default:
		return fmt.Sprintf("%s Too early to say: %s.", head, pressMoved(v))
	}
}

// pressFrozen says of a thermometer that stood still why it does not count.
func pressFrozen(point string, c float64, from time.Duration) string {
	return fmt.Sprintf(" %s has shown %s and nothing else since %s after the begin, which no thermometer that measures does: it is left out. Look at it and its cable.", point, figureC(c), span(from))
}
