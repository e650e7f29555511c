// Package all lists the drivers that are built in. There is no registry: an
// instrument is one package and one line here.
package all

import (
	"standwatch/sensors"
	"standwatch/sensors/ds18b20"
	"standwatch/sensors/mqtt"
)

// Drivers returns every driver.
func Drivers() []sensors.Driver {
	return []sensors.Driver{
		mqtt.Driver(),
		ds18b20.Driver(),
	}
}
