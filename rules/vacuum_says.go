package rules

import (
	"time"

	"standwatch/sensors"
)

// Outlook says how the hold stands.
func (j *vacuumHold) Outlook(at Instant) Outlook {
	elapsed := max(0, j.clock.of(at.Since))
	o := Outlook{Point: j.gauge.Name, Quantity: sensors.Vacuum, Limit: &j.limit, Elapsed: elapsed, Lasts: j.lasts,
		Left: max(0, j.ends()-elapsed), Sure: "too early to say"}
	if n := len(j.ss); n > 0 {
		o.Figure, o.HasFig = Num(j.recentPa()), true
		o.FigAt = Instant{at.Boot, j.clock.when(j.ss[n-1].t)}
	}
	o.Sentence, o.Sure = j.sentence(elapsed)
	if v := j.view; v.ok {
		o.Trend = j.trend()
	}
	return o
}

func (j *vacuumHold) trend() (ps []TrendPoint) {
	end := max(j.ends(), j.view.t)
	const steps = 16
	for i := range steps + 1 {
		t := j.sett + (end-j.sett)*time.Duration(i)/steps
		level := j.view.rises.At(t.Seconds())
		ps = append(ps, TrendPoint{j.clock.when(t), Num(max(level.Quantile(0.025), 0)), Num(level.Pa), Num(level.Quantile(0.975))})
	}
	return ps
}

// sentence says how the hold stands, and how sure that is.
func (j *vacuumHold) sentence(elapsed time.Duration) (sentence, sure string) {
	v := j.view
	h := holdWords{elapsed: elapsed, lasts: j.lasts, extend: j.extend, nowPa: j.recentPa(), limit: j.limit,
		heard: len(j.ss) > 0, result: j.result, raised: j.raised, urgency: j.told, cause: j.cause, startedHi: j.unstarted, beganHi: j.startedHi && !j.unstarted && elapsed < j.sett}
	if len(j.ss) > 0 {
		h.quiet = elapsed - j.ss[len(j.ss)-1].t
	}
	if j.air.deafN > 0 {
		h.deaf, h.noValue = elapsed-j.air.deaf, whyNoValue(j.air.reason)
	}
	h.spoiled, h.leaks, h.charging = j.air.spoiled, j.leakRise() > steadyRise, j.charging
	switch {
	case j.result == Passed || j.result == NotPassed:
		sure = "sure"
	case j.raised:
		sure = "sure"
	case v.ok && v.willBe < 0.05:
		sure, h.stays = "likely", true
	default:
		sure = "too early to say"
	}
	if _, falls := j.falls(fallShareAt); falls && j.result == "" && !j.valved {
		sure, h.stays, h.falls = "too early to say", false, true
	}
	h.settling = elapsed < j.sett
	if v.ok {
		h.slopePaPerS, h.known, h.endPa = v.slopePaPerS, true, v.endPa
	}
	return holdStands(h), sure
}
