package uplink

import (
	"context"
	"fmt"
	"strings"
)

// A line may be set aside only on proof that the store takes lines at all: a
// broken store that answers 400 to everything must not empty the journal into
// the quarantine. The proof is a line accepted in this very pass; failing
// that, the newest line accepted before is sent once more (the same point, so
// it changes nothing), then lines of other series and a few of the same. A proof
// serves for a handful of refusals, in case the store breaks in between.
// Without proof everything is held, and said.
const (
	refusalsPerProof = 8
	seriesTried      = 32
	sameTried        = 8
)

// pass is one batch on its way: halved where lines are refused, down to the
// single one.
type pass struct {
	f       *Follower
	lines   []string
	refused []aside
	proof   int // refusals that may still be believed
}

func (p *pass) deliver(ctx context.Context, lines []string) error {
	what, sentence, err := p.f.write(ctx, lines)
	if err != nil {
		return err
	}
	switch what {
	case accepted:
		p.yes(lines[len(lines)-1])
		return nil
	case held:
		return &heldError{sentence}
	case tooLarge:
		p.f.most = max(1, min(p.f.most, len(lines)/2)) // for the batches after this one as well
	}
	if len(lines) == 1 {
		return p.refuse(ctx, lines[0], sentence)
	}
	half := len(lines) / 2
	if err := p.deliver(ctx, lines[:half]); err != nil {
		return err
	}
	return p.deliver(ctx, lines[half:])
}

func (p *pass) yes(line string) {
	p.f.good, p.proof = line, refusalsPerProof
}

// refuse notes a single refused line, if the refusal can be believed.
func (p *pass) refuse(ctx context.Context, line, sentence string) error {
	if p.proof == 0 {
		if err := p.prove(ctx, line, sentence); err != nil {
			return err
		}
	}
	p.proof--
	p.refused = append(p.refused, aside{line, sentence})
	return nil
}

// prove looks for a line that the store takes.
func (p *pass) prove(ctx context.Context, bad, sentence string) error {
	for _, line := range p.candidates(bad) {
		what, other, err := p.f.write(ctx, []string{line})
		if err != nil {
			return err
		}
		switch what {
		case accepted:
			p.yes(line)
			return nil
		case held:
			return &heldError{other}
		}
	}
	return &heldError{fmt.Sprintf("the store refuses every line (%s); nothing is set aside, since the fault seems to be the store's; check its bucket, its retention and the kinds of its fields", sentence)}
}

// candidates are the lines worth trying: the one accepted last, one of each of
// some other series, and some of the same series.
func (p *pass) candidates(bad string) []string {
	var lines, same []string
	if p.f.good != "" {
		lines = append(lines, p.f.good)
	}
	tried := map[string]bool{}
	for i := len(p.lines) - 1; i >= 0; i-- { // the newest first
		l := p.lines[i]
		switch s := seriesOf(l); {
		case l == bad:
		case s == seriesOf(bad):
			if len(same) < sameTried {
				same = append(same, l)
			}
		case !tried[s] && len(tried) < seriesTried:
			tried[s] = true
			lines = append(lines, l)
		}
	}
	return append(lines, same...)
}

// seriesOf is a line's measurement and tags: up to the first blank that is not
// escaped.
func seriesOf(line string) string {
	for i := 0; ; {
		j := strings.IndexByte(line[i:], ' ')
		if j < 0 {
			return line
		}
		if i += j; i == 0 || line[i-1] != '\\' {
			return line[:i]
		}
		i++
	}
}

// write sends lines as one request, again and again while the store only asks
// to wait; the error is ctx's, or that the token cannot be read.
func (f *Follower) write(ctx context.Context, lines []string) (outcome, string, error) {
	pause := pauses{next: firstPause}
	for ctx.Err() == nil {
		if err := f.connect(); err != nil {
			return 0, "", &heldError{err.Error()}
		}
		what, sentence, after := classify(f.store.WriteRecord(ctx, lines...))
		if ctx.Err() != nil {
			return 0, "", ctx.Err()
		}
		if what == held {
			f.disconnect() // the token may be another one next time
		}
		if what != later {
			return what, sentence, nil
		}
		f.tell(false, sentence+"; everything is kept and goes out when it is back")
		f.rest(ctx, pause.take(after))
	}
	return 0, "", ctx.Err()
}

// connect makes the client, with the secrets as they are now.
func (f *Follower) connect() error {
	if f.store != nil {
		return nil
	}
	token, err := f.parts.Config.token()
	if err != nil {
		return err
	}
	travel := f.parts.Transport
	if travel == nil {
		roots, err := f.parts.Config.roots()
		if err != nil {
			return err
		}
		f.dialer = transport(roots)
		travel = f.dialer
	}
	f.store = connect(f.parts.Config, token, travel)
	return nil
}

func (f *Follower) disconnect() {
	f.store = nil
	if f.dialer != nil {
		f.dialer.CloseIdleConnections()
	}
}
