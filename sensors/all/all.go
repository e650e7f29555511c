// Package all lists the drivers that are built in. There is no registry: an
// instrument is one package and one line here.
package all

import (
	"standwatch/sensors"
	"standwatch/sensors/ads1115"
	"standwatch/sensors/bme280"
	"standwatch/sensors/bus"
	"standwatch/sensors/contact"
	"standwatch/sensors/ds18b20"
	"standwatch/sensors/loadcell"
	"standwatch/sensors/max31856"
	"standwatch/sensors/max31865"
	"standwatch/sensors/mcp9600"
	"standwatch/sensors/mqtt"
	"standwatch/sensors/nau7802"
	"standwatch/sensors/serialscale"
	"standwatch/sensors/sht4x"
)

// Drivers returns every driver.
func Drivers() []sensors.Driver {
	return []sensors.Driver{
		mqtt.Driver(),
		ds18b20.Driver(),
		serialscale.Driver(),
		contact.Driver(),
		loadcell.Driver(),
		bus.I2C(I2CChips()...),
		bus.SPI(SPIChips()...),
	}
}

// I2CChips returns every chip that can be on an I2C bus.
func I2CChips() []sensors.Chip {
	return []sensors.Chip{
		mcp9600.Chip(),
		sht4x.Chip(),
		bme280.Chip(),
		ads1115.Chip(),
		nau7802.Chip(),
	}
}

// SPIChips returns every chip that can be on an SPI port.
func SPIChips() []sensors.Chip {
	return []sensors.Chip{
		max31856.Chip(),
		max31865.Chip(),
	}
}
