// Package bme280 reads the BME280 (ambient pressure, temperature and humidity) and the BMP280 (without
// humidity) on an I2C bus.
//
// Facts are from the maker's data sheets BST-BMP280-DS001 (trimming parameters and the formulas in double precision
// seen, the worked example from memory) and BST-BME280-DS002 (from memory): identity 60h, of the BMP280 58h;
// 18 and 8 trimming bytes; one forced measurement with the oversampling chosen here takes at most 46 ms, after
// which the chip sleeps and its registers stand still; 300 to 1100 hPa, -40 to 85 C.
//
// This one rather than the BMP390: its data sheet works an example through the formulas, which the tests
// can check; and one chip gives all that the box needs of the air around it.
//
// periph's bmxx80 is not used: after a measurement it asks "still busy?" without end, so that a
// line of ones holds the bus for ever, and it takes two signed coefficients of humidity as unsigned.
//
// # Values that are no measurement
//
// No check sum goes over the wire: trimming bytes and values are read until they come
// twice the same. 80000h (8000h of humidity) is what stands there when nothing was measured. A
// configuration that is not as written is a supply that broke down. In a closed box the
// temperature is that of the box.
//
// # Settings
//
//	i2c: {bus: "1", address: 0x76, chip: bme280}
//
// What the point measures (absolute-pressure, temperature, humidity) says what is read; up to three points share one chip.
package bme280

import (
	"context"
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3"

	"standwatch/sensors"
)

// Chip is the chip for sensors/bus.
func Chip() sensors.Chip {
	return sensors.Chip{
		Name:      "bme280",
		Doc:       "BME280, BMP280: ambient pressure, temperature and (BME280) humidity",
		Addresses: []uint16{0x76, 0x77},
		New:       newOpen,
		Find:      find,
		Start: []sensors.Start{
			{Name: "barometer", Measures: sensors.AbsolutePressure},
			{Name: "air", Measures: sensors.Temperature},
		},
	}
}

// Registers.
const (
	regTrim     = 0x88 // to A1h: temperature, pressure, the first of humidity
	regID       = 0xD0
	regTrimH    = 0xE1 // to E7h: the rest of humidity
	regHumidity = 0xF2 // from here to FEh all is read at once
	regMeasure  = 0xF4
	regConfig   = 0xF5
)

const (
	bmp280 = 0x58
	bme280 = 0x60

	// Oversampling: humidity 1, temperature 2, pressure 16 times: 0.2 Pa of noise. The mode stands in the lowest two
	// bits: forced does one measurement, and becomes sleep by itself.
	humidityOnce = 0x01
	oversampling = 2<<5 | 5<<2
	forced       = 0x01
	takes        = 50 * time.Millisecond // 46 ms at most
	measuring    = 0x08                  // of the status
	longer       = 10 * time.Millisecond // once more, so often as patience allows
	patience     = 5

	none20, none16 = 0x80000, 0x8000
)

type settings struct {
	pressure, temperature, humidity string // points; empty: not asked for
}

func newOpen(_ sensors.Env, c sensors.Config) (sensors.Open, error) {
	var faults []error
	var s settings
	for _, p := range c.Points {
		d := sensors.Decode(p.Settings, &faults)
		var into *string
		switch p.Quantity {
		case sensors.AbsolutePressure:
			into = &s.pressure
		case sensors.Temperature:
			into = &s.temperature
		case sensors.Humidity:
			into = &s.humidity
		default:
			d.Fail(p.Settings, fmt.Sprintf("a BME280 measures absolute-pressure, temperature and humidity, not %s", p.Quantity), "write measures: absolute-pressure, temperature or humidity")
		}
		if into != nil && *into != "" {
			d.Fail(p.Settings, fmt.Sprintf("the %s of this chip is the point %s already", p.Quantity, *into), "give each quantity of a chip one point")
		} else if into != nil {
			*into = p.Name
		}
		d.Done()
	}
	open := func(_ context.Context, c conn.Conn) (sensors.Probe, error) { return open(c, s) }
	return open, errors.Join(faults...)
}

type probe struct {
	conn.Conn
	settings
	id   byte
	trim trim
}

// open asks who answers, reads its trimming and switches its filter off.
func open(c conn.Conn, s settings) (sensors.Probe, error) {
	p := &probe{Conn: c, settings: s}
	if err := p.identify(); err != nil {
		return nil, err
	}
	var tp [26]byte
	var h [7]byte
	if err := p.twice(regTrim, tp[:]); err != nil {
		return nil, err
	}
	if p.id == bme280 {
		if err := p.twice(regTrimH, h[:]); err != nil {
			return nil, err
		}
	}
	if p.trim = trimOf(tp, h); p.trim.t1 == 0 || p.trim.p1 == 0 {
		return nil, sensors.Because(sensors.ReasonFault, errors.New("its trimming parameters are empty: the chip is damaged or a copy"))
	}
	// In sleep, for the configuration may be ignored otherwise.
	return p, c.Tx([]byte{regMeasure, oversampling, regConfig, 0}, nil)
}

func (p *probe) identify() error {
	var id [1]byte
	if err := p.twice(regID, id[:]); err != nil {
		return err
	}
	if p.id = id[0]; p.id != bme280 && p.id != bmp280 {
		return sensors.Because(sensors.ReasonIdentity, fmt.Errorf("it says that it is the device %#02x: no BME280 (0x60) nor BMP280 (0x58)", p.id))
	}
	return nil
}

// twice reads registers that stand still until they come twice the same.
func (p *probe) twice(reg byte, r []byte) error {
	const tries = 4
	last := ""
	for i := range tries {
		if err := p.Tx([]byte{reg}, r); err != nil {
			return err
		}
		if i > 0 && string(r) == last {
			return nil
		}
		last = string(r)
	}
	return sensors.Because(sensors.ReasonGarbage, fmt.Errorf("what it says at %#02x is never twice the same", reg))
}

// registers from humidity's oversampling to the last byte of data.
type registers [13]byte

// Read does one measurement.
func (p *probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	if err := p.Tx([]byte{regHumidity, humidityOnce, regMeasure, oversampling | forced}, nil); err != nil {
		return nil, err
	}
	wait := takes
	for range patience {
		t := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			t.Stop()
			return nil, ctx.Err()
		case <-t.C:
		}
		var r registers
		if err := p.twice(regHumidity, r[:]); err != nil {
			return nil, err
		}
		if r[1]&measuring == 0 && r[2]&forced == 0 {
			return p.readings(r)
		}
		wait = longer
	}
	return nil, sensors.Because(sensors.ReasonStale, errors.New("its measurement does not end"))
}

// Close does nothing: the chip sleeps between measurements.
func (p *probe) Close() error { return nil }

func (p *probe) readings(r registers) ([]sensors.Reading, error) {
	humidityWell := r[0]&7 == humidityOnce || p.id == bmp280
	switch {
	case r[2] == oversampling && r[3]&^3 == 0 && humidityWell:
	case r[2] == 0:
		return nil, sensors.Because(sensors.ReasonBrownOut, errors.New("its configuration is that after power-on: its supply broke down"))
	default:
		return nil, sensors.Because(sensors.ReasonGarbage, fmt.Errorf("its configuration reads % x: not what was written", r[:4]))
	}
	adcP, adcT, adcH := raw(r)
	t, fine := p.trim.celsius(adcT)
	bad := "" // the others are corrected by the temperature
	switch {
	case adcT == none20:
		bad = sensors.ReasonPowerOn
	case !(t >= -40 && t <= 85):
		bad = sensors.ReasonOffScale
	}
	var rs []sensors.Reading
	add := func(point string, q sensors.Quantity, value float64, unit string, reason string) {
		switch {
		case point == "":
		case reason != "":
			rs = append(rs, sensors.Reading{Point: point, Health: sensors.Health{Grade: sensors.Failed, Reason: reason}})
		default:
			rs = append(rs, q.Reading(point, value, unit))
		}
	}
	pa, rh := p.trim.pascals(adcP, fine), p.trim.percent(adcH, fine)
	add(p.pressure, sensors.AbsolutePressure, pa, "Pa", first(bad, adcP == none20, sensors.ReasonPowerOn, !(pa >= 30000 && pa <= 110000), sensors.ReasonOffScale))
	add(p.temperature, sensors.Temperature, t, "C", bad)
	add(p.humidity, sensors.Humidity, min(max(rh, 0), 100), "%RH",
		first(bad, p.id == bmp280, sensors.ReasonIdentity, adcH == none16, sensors.ReasonPowerOn))
	return rs, nil
}

// first is the first reason that holds.
func first(bad string, a bool, whyA string, b bool, whyB string) string {
	switch {
	case bad != "":
		return bad
	case a:
		return whyA
	case b:
		return whyB
	}
	return ""
}

// raw takes pressure, temperature and humidity.
func raw(r registers) (p, t, h int32) {
	return int32(r[5])<<12 | int32(r[6])<<4 | int32(r[7])>>4,
		int32(r[8])<<12 | int32(r[9])<<4 | int32(r[10])>>4,
		int32(r[11])<<8 | int32(r[12])
}

// trim are the trimming parameters, named as in the data sheet.
type trim struct {
	t1, t2, t3                         float64
	p1, p2, p3, p4, p5, p6, p7, p8, p9 float64
	h1, h2, h3, h4, h5, h6             float64
}

func trimOf(tp [26]byte, h [7]byte) trim {
	u := func(i int) float64 { return float64(uint16(tp[i]) | uint16(tp[i+1])<<8) }
	s := func(i int) float64 { return float64(int16(uint16(tp[i]) | uint16(tp[i+1])<<8)) }
	return trim{
		u(0), s(2), s(4),
		u(6), s(8), s(10), s(12), s(14), s(16), s(18), s(20), s(22),
		float64(tp[25]), float64(int16(uint16(h[0]) | uint16(h[1])<<8)), float64(h[2]),
		// Twelve bits each, signed, which share a byte.
		float64(int16(int8(h[3]))<<4 | int16(h[4]&0x0F)), float64(int16(int8(h[5]))<<4 | int16(h[4]>>4)), float64(int8(h[6])),
	}
}

// celsius is the formula of the data sheet in double precision; fine goes into the others.
func (c *trim) celsius(adc int32) (t, fine float64) {
	x := float64(adc)
	d := x/131072 - c.t1/8192
	fine = float64((x/16384-c.t1/1024)*c.t2) + float64(float64(d*d)*c.t3)
	return fine / 5120, fine
}

// pascals is the formula of the data sheet in double precision. NaN: the parameters are no such.
func (c *trim) pascals(adc int32, fine float64) float64 {
	v1 := fine/2 - 64000
	v2 := float64(v1*v1) * c.p6 / 32768
	v2 += float64(v1*c.p5) * 2
	v2 = v2/4 + float64(c.p4*65536)
	v1 = (float64(float64(c.p3*v1)*v1)/524288 + float64(c.p2*v1)) / 524288
	v1 = float64((1 + v1/32768) * c.p1)
	p := float64((1048576-float64(adc)-v2/4096)*6250) / v1
	v1 = float64(float64(c.p9*p)*p) / 2147483648
	v2 = float64(p*c.p8) / 32768
	return p + (v1+v2+c.p7)/16
}

// percent is the formula of the data sheet in double precision, before it is cut to 0 and 100 %.
func (c *trim) percent(adc int32, fine float64) float64 {
	x := fine - 76800
	h := (float64(adc) - (float64(c.h4*64) + float64(c.h5/16384*x))) *
		(c.h2 / 65536 * (1 + float64(c.h6/67108864*x*(1+float64(c.h3/67108864*x)))))
	return float64(h * (1 - float64(c.h1*h)/524288))
}

// find asks for the identity.
func find(_ context.Context, c conn.Conn) (string, error) {
	p := probe{Conn: c}
	if err := p.identify(); err != nil {
		return "", err
	}
	if p.id == bmp280 {
		return "BMP280, without humidity", nil
	}
	return "BME280", nil
}
