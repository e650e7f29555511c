package chips

import (
	"syscall"
)

// HX711 is the converter as the kernel's driver shows it: conversions of 24 bits of
// which it turns the highest, so that no signal is 8388608 (drivers/iio/adc/hx711.c of the kernel; the data
// sheet, from memory, has the ends of the range for a load beyond it).
type HX711 struct {
	Knob
	Counts int32
}

// Raw is what the kernel's file says.
func (h *HX711) Raw(channel int) (int32, error) {
	if err := h.before(syscall.EIO); err != nil { // it waits a while for the chip, and gives up
		return 0, err
	}
	const middle = 1 << 23
	switch h.Fault() {
	case Noise: // the data line is pulled up and nobody pulls it down: all bits are ones
		return middle - 1, nil
	case Broken, Short: // the bridge is out of the range
		return 2*middle - 1, nil
	case Zeros:
		return 0, nil
	}
	return middle + h.Counts, nil
}
