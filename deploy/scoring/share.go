package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
)

// share counts how many of the trials that it concerns are right.
type share struct {
	name      string
	asked     float64 // 0: nothing is
	atMost    bool    // asked is the most, not the least
	good, all int
}

func (s *share) count(good bool) {
	s.all++
	if good {
		s.good++
	}
}

// wilson is the 95 % interval of a share (Wilson 1927).
func wilson(good, all int) (low, high float64) {
	const z = 1.959964
	n, p := float64(all), float64(good)/float64(all)
	mid := (p + z*z/(2*n)) / (1 + z*z/n)
	half := z / (1 + z*z/n) * math.Sqrt(p*(1-p)/n+z*z/(4*n*n))
	return max(0, mid-half), min(1, mid+half)
}

func (s *share) write(w io.Writer) {
	if s.all == 0 {
		fmt.Fprintf(w, "  %-74s none\n", s.name)
		return
	}
	low, high := wilson(s.good, s.all)
	p := float64(s.good) / float64(s.all)
	fmt.Fprintf(w, "  %-74s %5.1f %% (%d of %d; %.1f to %.1f)%s\n", s.name, 100*p, s.good, s.all, 100*low, 100*high, s.reached(p, low, high))
}

func (s *share) reached(p, low, high float64) string {
	if s.asked == 0 {
		return ""
	}
	met, sure := p >= s.asked, high < s.asked
	what := fmt.Sprintf("  asked %g %%", 100*s.asked)
	if s.atMost {
		met, sure = p <= s.asked, low > s.asked
		what = fmt.Sprintf("  asked %g %% at most", 100*s.asked)
	}
	switch {
	case met:
		return what
	case sure:
		return what + ": short"
	}
	return what + ": short, within doubt"
}

// spread is a figure's middle and tenths.
type spread struct {
	name  string
	unit  string
	asked float64 // of the median, at least; 0: nothing is
	v     []float64
}

func (s *spread) write(w io.Writer) {
	if len(s.v) == 0 {
		fmt.Fprintf(w, "  %-74s none\n", s.name)
		return
	}
	v := slices.Clone(s.v)
	slices.Sort(v)
	at := func(q float64) float64 { return v[int(math.Round(q*float64(len(v)-1)))] }
	fmt.Fprintf(w, "  %-74s %.3g %s at the median (tenths %.3g to %.3g; %d)", s.name, at(0.5), s.unit, at(0.1), at(0.9), len(v))
	switch {
	case s.asked == 0:
		fmt.Fprintln(w)
	case at(0.5) >= s.asked:
		fmt.Fprintf(w, "  asked %g\n", s.asked)
	default:
		fmt.Fprintf(w, "  asked %g: short\n", s.asked)
	}
}

// confusion counts what was said of what was true.
type confusion struct {
	name  string
	trues []string // in the order of their first coming, or as given
	saids []string
	count map[[2]string]int
}

func (c *confusion) add(truth, said string) {
	if c.count == nil {
		c.count = map[[2]string]int{}
	}
	if !slices.Contains(c.trues, truth) {
		c.trues = append(c.trues, truth)
	}
	if !slices.Contains(c.saids, said) {
		c.saids = append(c.saids, said)
	}
	c.count[[2]string{truth, said}]++
}

func (c *confusion) write(w io.Writer) {
	fmt.Fprintf(w, "  %s: said, by what was true\n", c.name)
	trues, saids := slices.Clone(c.trues), slices.Clone(c.saids)
	slices.Sort(trues)
	slices.Sort(saids)
	for _, t := range trues {
		var cells []string
		for _, s := range saids {
			if n := c.count[[2]string{t, s}]; n > 0 {
				cells = append(cells, fmt.Sprintf("%s %d", s, n))
			}
		}
		fmt.Fprintf(w, "    %-28s %s\n", t, strings.Join(cells, ", "))
	}
}
