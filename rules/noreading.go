package rules

import (
	"math"

	"standwatch/sensors"
)

// What a digital thermometer gives when it has measured nothing: its register's
// value at power-on, and what its usual library gives where no probe answers
// (DS18B20 data sheet, table 1; the second by common practice). The box's own
// driver refuses both; a log or a topic from elsewhere may bring them as values.
const (
	powerOnC      = 85.0
	noProbeC      = -127.0
	near85K       = 10.0 // what is really at 85 C was near it one reading before (as the driver goes by)
	asShownC      = 1e-6
	leastPowerOnC = powerOnC - near85K
)

// unmeasured gives a temperature that nobody measured to the judges as a reading
// without a value, with its reason. The journal keeps it as it came.
func (e *Engine) unmeasured(b *Measured, q sensors.Quantity, hot bool) (health sensors.Health, is bool) {
	switch {
	case q != sensors.Temperature || !b.Health.Usable():
	case math.Abs(b.Value-noProbeC) < asShownC:
		return sensors.Health{Grade: sensors.Failed, Reason: sensors.ReasonDisconnected}, true
	case math.Abs(b.Value-powerOnC) < asShownC && !hot:
		return sensors.Health{Grade: sensors.Failed, Reason: sensors.ReasonPowerOn}, true
	}
	return b.Health, false
}

// isHot keeps which points were near a probe's power-on value one reading before,
// and reports whether this one was.
func (e *Engine) isHot(b *Measured) (was bool) {
	near := b.Value > leastPowerOnC && b.Value < powerOnC+near85K && math.Abs(b.Value-powerOnC) >= asShownC
	if !near && len(e.hot) == 0 {
		return false
	}
	was = e.hot[b.Point]
	switch {
	case near && b.Health.Usable():
		e.hot[b.Point] = true
	case was && math.Abs(b.Value-powerOnC) >= asShownC && b.Health.Usable():
		delete(e.hot, b.Point)
	}
	return was
}
