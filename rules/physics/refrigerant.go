package physics

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Refrigerant is a refrigerant's saturation, interpolated in a table (its
// source stands there): ln p over 1/T, densities over the cube root of the
// distance from the critical temperature. With every second point left out
// the others come back within 0.005 % in pressure and 0.06 % in density.
//
// Pressures are absolute. A blend begins to boil at its bubble temperature and
// has boiled away at its dew temperature; the two differ by its glide.
type Refrigerant struct {
	Name              string
	Model             string  // the equation of state behind the table
	MolarMassKgPerMol float64 // mean, of a blend

	shapeK         float64
	bubble, dew    spline
	liquid, vapour spline
}

// Refrigerants names those there are tables for.
func Refrigerants() []string {
	var names []string
	for _, s := range saturations {
		names = append(names, s.name)
	}
	return names
}

// RefrigerantNamed makes the interpolation for one refrigerant: once, and kept
// by who uses it.
func RefrigerantNamed(name string) (*Refrigerant, error) {
	i := slices.IndexFunc(saturations[:], func(s saturation) bool { return s.name == name })
	if i < 0 {
		return nil, fmt.Errorf("%q is no refrigerant there is a table for; write one of %s", name, strings.Join(Refrigerants(), ", "))
	}
	every := func(int) bool { return true }
	return saturations[i].interpolate(every), nil
}

// interpolate lays splines through the table's rows that are kept.
func (s saturation) interpolate(kept func(row int) bool) *Refrigerant {
	r := &Refrigerant{Name: s.name, Model: s.model, MolarMassKgPerMol: s.molarMassKgPerMol, shapeK: s.shapeK}
	var inverse, distance []float64
	var y [4][]float64
	for i, row := range s.rows {
		if !kept(i) {
			continue
		}
		c := saturationFirstC + float64(float64(i)*saturationStepC)
		inverse = append(inverse, inverseKelvin(c))
		distance = append(distance, r.distance(c))
		for j, v := range [4]float64{math.Log(row[0] * 1e3), math.Log(row[1] * 1e3), row[2], math.Log(row[3])} {
			y[j] = append(y[j], v)
		}
	}
	r.bubble, r.dew = newSpline(inverse, y[0]), newSpline(inverse, y[1])
	r.liquid, r.vapour = newSpline(distance, y[2]), newSpline(distance, y[3])
	return r
}

// Both grow with the temperature, as a spline's x must.
func inverseKelvin(tempC float64) float64 { return -1000 / (tempC + 273.15) }

func (r *Refrigerant) distance(tempC float64) float64 {
	return -math.Cbrt(1 - (tempC+273.15)/r.shapeK)
}

// Saturation is what the table says at one temperature, or at one pressure.
type Saturation struct {
	BubblePa, DewPa              float64 // absolute
	BubbleC, DewC                float64
	LiquidKgPerM3, VapourKgPerM3 float64 // liquid at the bubble point, vapour at the dew point
}

// SaturationSource names where the tables come from; Model says by which
// equation.
const SaturationSource = "CoolProp (July 2026), a row every 5 K, interpolated"

// AtTemperature is the saturation at a temperature.
func (r *Refrigerant) AtTemperature(tempC float64) (Saturation, error) {
	if !(tempC >= saturationFirstC && tempC <= saturationLastC) {
		return Saturation{}, fmt.Errorf("%s at %.4g C: the table goes from %g to %g C", r.Name, tempC, saturationFirstC, saturationLastC)
	}
	return Saturation{
		BubblePa: r.bubblePa(tempC), DewPa: r.dewPa(tempC), BubbleC: tempC, DewC: tempC,
		LiquidKgPerM3: r.liquid.at(r.distance(tempC)), VapourKgPerM3: r.vapourKgM3(tempC),
	}, nil
}

// AtPressure is the saturation at an absolute pressure: where it begins to
// boil, and where it has boiled away.
func (r *Refrigerant) AtPressure(absolutePa float64) (Saturation, error) {
	bubbleC, err := r.BubbleC(absolutePa)
	if err != nil {
		return Saturation{}, err
	}
	dewC, err := r.DewC(absolutePa)
	if err != nil {
		return Saturation{}, err
	}
	return Saturation{
		BubblePa: absolutePa, DewPa: absolutePa, BubbleC: bubbleC, DewC: dewC,
		LiquidKgPerM3: r.liquid.at(r.distance(bubbleC)), VapourKgPerM3: r.vapourKgM3(dewC),
	}, nil
}

func (r *Refrigerant) bubblePa(tempC float64) float64 {
	return math.Exp(r.bubble.at(inverseKelvin(tempC)))
}
func (r *Refrigerant) dewPa(tempC float64) float64 { return math.Exp(r.dew.at(inverseKelvin(tempC))) }
func (r *Refrigerant) vapourKgM3(tempC float64) float64 {
	return math.Exp(r.vapour.at(r.distance(tempC)))
}

// LiquidKgPerM3 is the density of saturated liquid.
func (r *Refrigerant) LiquidKgPerM3(tempC float64) (float64, error) {
	s, err := r.AtTemperature(tempC)
	return s.LiquidKgPerM3, err
}

// BubbleC is where liquid begins to boil, at an absolute pressure.
func (r *Refrigerant) BubbleC(absolutePa float64) (float64, error) {
	return r.temperature("bubble", absolutePa, r.bubblePa)
}

// DewC is where vapour begins to condense, at an absolute pressure.
func (r *Refrigerant) DewC(absolutePa float64) (float64, error) {
	return r.temperature("dew", absolutePa, r.dewPa)
}

func (r *Refrigerant) temperature(which string, absolutePa float64, pressurePa func(tempC float64) float64) (float64, error) {
	low, high := pressurePa(saturationFirstC), pressurePa(saturationLastC)
	const tableDigits = 1e-7 // an end of the range itself is inside, however it was rounded
	if !(absolutePa >= low*(1-tableDigits) && absolutePa <= high*(1+tableDigits)) {
		return 0, fmt.Errorf("%s at %.5g kPa absolute: the table of %s temperatures goes from %.5g to %.5g kPa absolute (%g to %g C)",
			r.Name, absolutePa/1e3, which, low/1e3, high/1e3, saturationFirstC, saturationLastC)
	}
	return solve(saturationFirstC, saturationLastC, absolutePa, pressurePa), nil
}

// SuperheatK is how much warmer the suction line is than the dew temperature
// at its gauge pressure.
func (r *Refrigerant) SuperheatK(suctionC, gaugePa, atmospherePa float64) (superheatK, dewC float64, err error) {
	dewC, err = r.DewC(gaugePa + atmospherePa)
	return suctionC - dewC, dewC, err
}

// SubcoolingK is how much colder the liquid line is than the bubble
// temperature at its gauge pressure.
func (r *Refrigerant) SubcoolingK(liquidC, gaugePa, atmospherePa float64) (subcoolingK, bubbleC float64, err error) {
	bubbleC, err = r.BubbleC(gaugePa + atmospherePa)
	return bubbleC - liquidC, bubbleC, err
}
