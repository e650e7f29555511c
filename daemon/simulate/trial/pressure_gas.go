package trial

// Nitrogen as a real gas by its second and third virial coefficients. They are
// fitted to shared reference values of Span's equation of state (2000), which
// stand in testdata/reference/nitrogen_hold.csv (-5 to 50 C, 100 to 600 psi):
// compressibility within 6e-6. At 300 K that is B = -4.6 cm3/mol and
// C = 1430 cm6/mol2; Dymond and Smith's compilation gives -4.5 (from memory).

const (
	molarR = 8.314462618 // J/(mol K), CODATA 2018, exact
	zeroK  = 273.15
	airPa  = 101325.0
)

// virials are B in m3/mol and C in m6/mol2.
func virials(tempC float64) (b, c float64) {
	x := 300/(tempC+zeroK) - 1
	b = -4.568362e-6 - float64(x*(57.422015e-6+float64(9.429138e-6*x)))
	return b, 1430.458832e-12 + float64(663.555271e-12*x)
}

// nitrogenDensity is the mol/m3 at an absolute pressure, and how they grow with
// it, by Newton's method from a guess; 0: the plain gas law's.
func nitrogenDensity(pa, tempC, guess float64) (n, perPa float64) {
	b, c := virials(tempC)
	rt := molarR * (tempC + zeroK)
	n = guess
	if n <= 0 {
		n = pa / rt
	}
	for range 4 {
		slope := rt * (1 + float64(n*(2*b+float64(3*c*n))))
		off := float64(n*rt*(1+float64(n*(b+float64(c*n))))) - pa
		n -= off / slope
		perPa = 1 / slope
		if off < 1e-3 && off > -1e-3 {
			break
		}
	}
	return n, perPa
}

// stretch is a part of the pipework with a temperature of its own.
type stretch struct {
	place string
	m3    float64
	wallC float64
	gasC  float64
	warmK float64 // of the gas over its wall, by compression
	n     float64 // mol/m3
}

// gasPipe is stretches that share one pressure and so many mol.
type gasPipe struct {
	parts []*stretch
	mol   float64
	pa    float64 // absolute
}

// settle finds the pressure at which the sections hold what they hold.
func (p *gasPipe) settle() {
	for range 6 {
		have, perPa := 0.0, 0.0
		for _, s := range p.parts {
			var slope float64
			s.n, slope = nitrogenDensity(p.pa, s.gasC, s.n)
			have += float64(s.m3 * s.n)
			perPa += float64(s.m3 * slope)
		}
		off := (p.mol - have) / perPa
		p.pa += off
		if off < 0.01 && off > -0.01 {
			return
		}
	}
}

// hold is what fills the sections at a pressure.
func (p *gasPipe) hold(pa float64) {
	p.pa, p.mol = pa, 0
	for _, s := range p.parts {
		s.n, _ = nitrogenDensity(pa, s.gasC, 0)
		p.mol += float64(s.m3 * s.n)
	}
}

func (p *gasPipe) m3() (sum float64) {
	for _, s := range p.parts {
		sum += s.m3
	}
	return sum
}
