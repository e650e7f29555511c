// Package ads1115 reads the ADS1115, a 16-bit analogue-to-digital converter with four inputs on
// an I2C bus: thermistor clamps, pressure transducers, analogue vacuum gauges, current
// transmitters (see sensors.Scale for what its voltages can stand for).
//
// Facts are from the maker's data sheet "ADS111x Ultra-Small, Low-Power, I2C-Compatible, 860-SPS,
// 16-Bit ADCs", document SBAS444 (revision D, section 9.6 for the registers; electrical
// characteristics as in SBAS563): four addresses by the ADDR pin, 0x48 to 0x4B; a code
// is the voltage in parts of the full scale over 2^15 and stops at 7FFFh and 8000h; the oscillator is within 10 %;
// after power-on the configuration is 8583h, the thresholds are 8000h and 7FFFh.
//
// # How it is asked
//
// The conversion register always holds the last result, whose ever that was. So each measurement
// is a single shot: the whole configuration is written, 1.1 conversion times are waited, the chip is asked
// until it says that it is done, and after the result is read the configuration is read again. If it is not what
// was written, another program set it, or the chip lost its power in between: the
// reading is failed, by name. The comparator, which is off, has its latch bit set in all we write, so that
// no setting of ours is that of power-on.
//
// periph's devices/ads1x15 is not used: it reads the result after one nominal conversion time, without asking
// whether it is ready and without reading the settings back, so that a slow oscillator, a second master or a brown-out
// yields another channel's or an old voltage as a good one.
//
// # Wiring
//
// Nothing here is connected to mains, ever. No input may be higher than the chip's own supply plus
// 0.3 V nor lower than ground less 0.3 V, whatever full scale is set; one that is can falsify the others. A 0 to 10 V gauge,
// or a 5 V transducer on a chip fed with 3.3 V, goes through two resistors, `divider`. An input draws current
// like 10 Mohm at 6.144 V full scale, 6 Mohm at 4.096 and 2.048 V, 3 Mohm at 1.024 V:
// with dividers up to 10 kohm that is a tenth of a percent. A thermistor's reading hangs on its supply: 1 % of that
// is about 0.4 K at 40 C and 2 K at -20 C where the supply is only given; measured on a channel of its own it is nothing. Feed
// thermistors from the chip's own supply, use twisted or shielded pairs beside inverter cables, and keep the shield
// on ground at one end. A loop's resistor is at most 150 ohm on a chip fed with 3.3 V; transmitters need their
// own 24 V. A divider before a logarithmic gauge wants resistors of 0.1 %. Pressure transducers are screwed on only with the port isolated and its pressure let off, by who is licensed for that.
//
// Alternating current cannot be measured by a clamp and a burden here: the mean of a few single shots at 860 a second
// is no effective value. A current transmitter with a 4 to 20 mA or 0 to 5 V output is: loop or linear.
package ads1115

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"periph.io/x/conn/v3"

	"standwatch/sensors"
)

// Chip is the ADS1115 on an I2C bus.
func Chip() sensors.Chip {
	return sensors.Chip{
		Name:      "ads1115",
		Doc:       "ADS1115 analogue-to-digital converter: thermistors, 0.5 to 4.5 V and 4 to 20 mA transducers, analogue vacuum gauges",
		Addresses: []uint16{0x48, 0x49, 0x4A, 0x4B},
		New:       newChip,
		Find:      find,
		Start:     starts(),
	}
}

// starts are the voltages at its four inputs, which tell somebody with a clamp in his hand which one
// it hangs on, and how the usual probes are written.
func starts() []sensors.Start {
	var all []sensors.Start
	for _, input := range channels[4:] {
		all = append(all, sensors.Start{Name: "input-" + input, Measures: sensors.Voltage, Settings: "channel: " + input})
	}
	return append(all,
		sensors.Start{Name: "clamp", Measures: sensors.Temperature,
			Settings: "channel: 0, supply: 3.3 V, ntc: {resistance: 10 kohm, beta: 3950 K, series: 10 kohm}",
			Lacks:    "its input in place of the voltage there, the thermistor's figures, the resistor and what feeds them"},
		sensors.Start{Name: "transducer", Measures: sensors.Pressure,
			Settings: "channel: 1, supply: 5 V, ratiometric: {from: 0 bar, to: 50 bar}",
			Lacks:    "its input in place of the voltage there, its range and what feeds it; for 4 to 20 mA loop: {shunt: 150 ohm, from: 0 bar, to: 50 bar}"})
}

// Reasons of this instrument.
const (
	reasonBrownOut  = "brown-out"     // its supply broke down while it measured
	reasonDisturbed = "disturbed"     // something else set it while it measured
	reasonNoResult  = "no-conversion" // it never says that it is done
)

// Registers and bits (data sheet, section 9.6).
const (
	regResult = 0
	regConfig = 1
	regLow    = 2
	regHigh   = 3

	start      = 1 << 15 // written: measure; read: it is done
	single     = 1 << 8
	latch      = 1 << 2 // without meaning, while the comparator is off
	comparator = 3      // off

	powerOn     = 0x8583
	powerOnLow  = 0x8000
	powerOnHigh = 0x7FFF
)

// channels are the input pairs, as bits 14 to 12 have them.
var channels = []string{"0-1", "0-3", "1-3", "2-3", "0", "1", "2", "3"}

// fullScales in volts, as bits 11 to 9 have them.
var fullScales = []float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256}

// rates in samples a second, as bits 7 to 5 have them.
var rates = []int{8, 16, 32, 64, 128, 250, 475, 860}

// usualRate averages over a sixteenth of a second, which holds mains hum on long wires back
// at least ninefold (by sin(x)/x of the mean, the oscillator 10 % off).
const usualRate = 16

// input is what is set for one measurement.
type input struct {
	config uint16  // as it is written
	lsb    float64 // V
	factor float64 // of the divider before it
	wait   time.Duration
}

// channel is one point of the chip.
type channel struct {
	point sensors.Point
	mux   int
	in    input
	scale sensors.Scale

	supply    float64 // of the probe, where it is given; 0: it is measured, or not needed
	supplyIn  input
	supplyMux int // -1: not measured
	supplyAt  sensors.Node
}

func (ch channel) measured() bool { return ch.supplyMux >= 0 }

func newChip(_ sensors.Env, c sensors.Config) (sensors.Open, error) {
	var faults []error
	var all []channel
	for _, p := range c.Points {
		all = append(all, readChannel(p, all, &faults))
	}
	checkSupplies(all, &faults)
	if len(faults) == 0 {
		checkPace(all, &faults)
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	return func(_ context.Context, c conn.Conn) (sensors.Probe, error) {
		if err := identify(c); err != nil {
			return nil, err
		}
		return &adc{Conn: c, channels: all}, nil
	}, nil
}

// checkSupplies faults an input that is to measure a supply and has a probe on it. A point that measures
// the supply's voltage may be there, so that people see it.
func checkSupplies(all []channel, faults *[]error) {
	for _, ch := range all {
		for _, o := range all {
			if pin := shared(ch.supplyMux, o.mux); pin != "" && o.point.Quantity != sensors.Voltage {
				*faults = append(*faults, ch.supplyAt.Fault(fmt.Sprintf("supply: input %s is the point %s already", pin, o.point.Name), "measure the supply on a free input"))
			}
		}
	}
}

// checkPace faults a rate at which one round takes longer than a point's interval.
func checkPace(all []channel, faults *[]error) {
	var busy time.Duration
	var supplies []input
	for _, ch := range all {
		busy += ch.in.wait
		if ch.measured() && !slices.Contains(supplies, ch.supplyIn) {
			supplies = append(supplies, ch.supplyIn)
			busy += ch.supplyIn.wait
		}
	}
	for _, ch := range all {
		p := ch.point
		every := p.Every
		for _, d := range p.During {
			every = min(every, d.Every)
		}
		if every > 0 && busy > every {
			*faults = append(*faults, p.Settings.Fault(
				fmt.Sprintf("all channels of the chip take %s, and %s is to be read every %s", busy.Round(time.Millisecond), p.Name, every),
				"write a higher rate, or read it more seldom"))
		}
	}
}

// readChannel reads one point's settings; others are the points before it.
func readChannel(p sensors.Point, others []channel, faults *[]error) channel {
	d := sensors.Decode(p.Settings, faults)
	ch := channel{point: p, mux: readMux(d), supplyMux: -1}
	for _, o := range others {
		if pin := shared(o.mux, ch.mux); pin != "" {
			d.Fail(d.Node("channel"), fmt.Sprintf("channel: input %s is the point %s already", pin, o.point.Name), "give each point its own input")
			break
		}
	}
	rate, factor := readRate(d), readDivider(d, faults)
	ch.scale = sensors.ReadScale(p, d)
	ch.readSupply(d, rate, faults)
	reach := ch.scale.Highest / factor
	if ch.scale.Supplied {
		reach *= ch.supply
	}
	ch.in = newInput(ch.mux, readFullScale(d, reach), rate, factor)
	d.Done()
	return ch
}

// shared names an input that two points would both be on. Input 3 may be measured beside a pair
// of which it is the lower end.
func shared(a, b int) string {
	if a < 0 || b < 0 {
		return ""
	}
	if a == b {
		return channels[a]
	}
	one, two := strings.Split(channels[a], "-"), strings.Split(channels[b], "-")
	if len(one) == len(two) {
		return "" // two pairs, or two single inputs
	}
	for _, pin := range one {
		if slices.Contains(two, pin) && pin != "3" {
			return pin
		}
	}
	return ""
}

func readRate(d *sensors.Decoder) int {
	text := d.Text("rate", fmt.Sprintf("%d SPS", usualRate))
	var words []string
	for _, r := range rates {
		if strings.ReplaceAll(text, " ", "") == fmt.Sprintf("%dSPS", r) {
			return r
		}
		words = append(words, fmt.Sprintf("%d SPS", r))
	}
	d.Fail(d.Node("rate"), fmt.Sprintf("rate: %q is none that an ADS1115 can do", text), "write one of "+strings.Join(words, ", "))
	return usualRate
}

// readDivider reads the two resistors before an input; without them the factor is 1.
func readDivider(d *sensors.Decoder, faults *[]error) float64 {
	n, given := d.Given("divider")
	if !given {
		return 1
	}
	inner := sensors.Decode(n, faults)
	upper, lower := inner.Amount("upper", 0, sensors.Resistances), inner.Amount("lower", 0, sensors.Resistances)
	inner.Done()
	if upper <= 0 || lower <= 0 {
		d.Fail(n, "divider: one of its resistors is missing or nothing", "write divider: {upper: 20 kohm, lower: 10 kohm}; the input is between them")
	}
	return (upper + lower) / lower
}

// readFullScale reads how much the converter takes in. Where it is not given it is the
// least that holds reach, the highest voltage that tells something (0: not known).
func readFullScale(d *sensors.Decoder, reach float64) int {
	given := d.Amount("full-scale", 0, sensors.Voltages)
	var words []string
	for i, fs := range slices.Backward(fullScales) {
		switch {
		case given == 0 && reach > 0 && fs >= reach:
			return i
		case math.Abs(given-fs) < 1e-6 && fs < reach:
			d.Fail(d.Node("full-scale"), fmt.Sprintf("full-scale: %g V does not hold the %.3g V that may come", fs, reach), "write a larger one, or leave full-scale out")
			return i
		case math.Abs(given-fs) < 1e-6:
			return i
		}
		words = append(words, fmt.Sprintf("%g V", fs))
	}
	if given > 0 {
		d.Fail(d.Node("full-scale"), fmt.Sprintf("full-scale: %g V is none that an ADS1115 can do", given), "write one of "+strings.Join(words, ", "))
	} else if reach > fullScales[0] {
		d.Fail(d.Node("channel"), fmt.Sprintf("up to %.3g V may come, and an ADS1115 takes %g V at most", reach, fullScales[0]), "put a divider before the input")
	}
	return 0
}

// readSupply reads what feeds the probe: a voltage that is known, or an input that measures it.
func (ch *channel) readSupply(d *sensors.Decoder, rate int, faults *[]error) {
	n, given := d.Given("supply")
	ch.supplyAt = n
	switch {
	case !given && ch.scale.Supplied:
		d.Fail(sensors.Node{}, "the probe's supply is missing", "add supply: 3.3 V, or better supply: {channel: 3}, an input that measures it")
	case given && n.Kind == sensors.Mapping:
		inner := sensors.Decode(n, faults)
		mux := readMux(inner)
		// The highest supply that the chip may be near is 5.5 V.
		ch.supplyIn = newInput(mux, 0, rate, readDivider(inner, faults))
		ch.supplyMux = mux
		inner.Done()
	case given:
		if ch.supply = d.Amount("supply", 0, sensors.Voltages); ch.supply <= 0 {
			d.Fail(n, "supply: no voltage", "write the probe's supply, 3.3 V or 5 V")
		}
	}
}

func readMux(d *sensors.Decoder) int {
	if d.Required("channel", "0", "1", "2", "3") == "" {
		return -1
	}
	return slices.Index(channels, d.OneOf("channel", "", channels...))
}

func newInput(mux, full, rate int, factor float64) input {
	return input{
		config: start | uint16(max(mux, 0))<<12 | uint16(full)<<9 | single | uint16(slices.Index(rates, rate))<<5 | latch | comparator,
		lsb:    fullScales[full] / (1 << 15),
		factor: factor,
		wait:   time.Second * 11 / 10 / time.Duration(rate),
	}
}

// identify refuses another device before anything is written to it.
func identify(c conn.Conn) error {
	low, err := read(c, regLow)
	if err != nil {
		return err
	}
	high, err := read(c, regHigh)
	if err != nil {
		return err
	}
	if low != powerOnLow || high != powerOnHigh {
		return sensors.Because(sensors.ReasonIdentity, fmt.Errorf(
			"what answers has thresholds %04Xh and %04Xh; an ADS1115 has 8000h and 7FFFh after power-on, and nothing here sets them: it is another device, or another program uses it", low, high))
	}
	return nil
}

func read(c conn.Conn, register byte) (uint16, error) {
	var r [2]byte
	err := c.Tx([]byte{register}, r[:])
	return uint16(r[0])<<8 | uint16(r[1]), err
}

// find tells an ADS1115 by its thresholds, and says how it was last asked and what it found.
func find(_ context.Context, c conn.Conn) (string, error) {
	if err := identify(c); err != nil {
		return "", err
	}
	config, err := read(c, regConfig)
	if err != nil {
		return "", err
	}
	full := int(config >> 9 & 7)
	if config == powerOn {
		return "has measured nothing since power-on", nil
	}
	code, err := read(c, regResult)
	if err != nil {
		return "", err
	}
	volts := float64(int16(code)) * fullScales[min(full, len(fullScales)-1)] / (1 << 15)
	return fmt.Sprintf("%.4f V on channel %s when it was last asked", volts, channels[config>>12&7]), nil
}

// adc is an open chip.
type adc struct {
	conn.Conn
	channels []channel
}

// Close has nothing to do: after a single shot the chip is powered down.
func (a *adc) Close() error { return nil }

// Read measures every channel, and each supply once.
func (a *adc) Read(ctx context.Context) ([]sensors.Reading, error) {
	var rs []sensors.Reading
	known := map[input]result{}
	for _, ch := range a.channels {
		supply := result{volts: ch.supply}
		var err error
		if ch.measured() {
			var ok bool
			if supply, ok = known[ch.supplyIn]; !ok {
				if supply, err = a.measure(ctx, ch.supplyIn); err != nil {
					return rs, err
				}
				known[ch.supplyIn] = supply
			}
		}
		got, err := a.measure(ctx, ch.in)
		if err != nil {
			return rs, err
		}
		switch {
		case got.reason != "":
		case supply.beyond:
			got.reason = sensors.ReasonOffScale
		default:
			got.reason = supply.reason
		}
		if got.reason != "" {
			rs = append(rs, sensors.Reading{Point: ch.point.Name, Health: sensors.Health{Grade: sensors.Failed, Reason: got.reason}})
			continue
		}
		rs = append(rs, ch.scale.Reading(ch.point, got.volts, supply.volts, got.beyond))
	}
	return rs, nil
}

// result is one conversion's.
type result struct {
	volts  float64
	beyond bool   // the code is at its end
	reason string // why there is no voltage
}

// polls is how often the chip is asked whether it is done, a quarter of a conversion apart.
const polls = 10

// measure does one single shot. The error is of the bus.
func (a *adc) measure(ctx context.Context, in input) (result, error) {
	if err := a.Tx([]byte{regConfig, byte(in.config >> 8), byte(in.config)}, nil); err != nil {
		return result{}, err
	}
	wait := in.wait
	for range polls {
		if err := sleep(ctx, wait); err != nil {
			return result{}, err
		}
		wait = in.wait / 4
		now, err := read(a, regConfig)
		switch {
		case err != nil:
			return result{}, err
		case now|start != in.config:
			return result{reason: changed(now)}, nil
		case now&start == 0:
			continue
		}
		code, err := read(a, regResult)
		if err != nil {
			return result{}, err
		}
		after, err := read(a, regConfig)
		switch {
		case err != nil:
			return result{}, err
		case after != in.config:
			return result{reason: changed(after)}, nil
		}
		n := int16(code)
		return result{volts: float64(n) * in.lsb * in.factor, beyond: n == math.MaxInt16 || n == math.MinInt16}, nil
	}
	return result{reason: reasonNoResult}, nil
}

// changed names why the settings are not ours any more.
func changed(config uint16) string {
	if config == powerOn {
		return reasonBrownOut
	}
	return reasonDisturbed
}

func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}
