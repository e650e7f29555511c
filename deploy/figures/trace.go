package main

import (
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"slices"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"standwatch/daemon"
	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

const nightHours = 12

// trace measures the page Trace over a night of 200 points at 1 Hz: what its
// figures cost the box, and how soon a slow phone has drawn them.
func trace(b bench) error {
	x, err := newBox(b, "tcp://127.0.0.1:1", oneReading, "") // nothing comes in meanwhile
	if err != nil {
		return err
	}
	defer x.close()
	ctx, cancel := context.WithTimeout(context.Background(), 2*longestMeasure)
	defer cancel()
	site, faults := daemon.Load(x.file)
	if len(faults) > 0 {
		return errors.Join(faults...)
	}
	begun := time.Now().Add(-nightHours * time.Hour)
	if err := writeNight(ctx, filepath.Join(x.dir, "data"), site.Points, begun); err != nil {
		return err
	}
	if err := x.start(b); err != nil {
		return err
	}
	four := fmt.Sprintf("points=%s,%s,%s,%s&from=%d", pointName(0), pointName(60), pointName(120), pointName(180), begun.UnixMilli())
	for _, ask := range []struct{ what, path string }{
		{"the page with four points", "/trace?" + four},
		{"their figures over the night", "/trace/data?most=780&wide=1&" + four},
		{"their figures over an hour of it", fmt.Sprintf("/trace/data?most=780&wide=1&%s&to=%d", four, begun.Add(time.Hour).UnixMilli())},
		{"the outlines of all 200 points", fmt.Sprintf("/trace/outlines?from=%d", begun.UnixMilli())},
	} {
		if err := timed(ctx, x, ask.what, ask.path); err != nil {
			return err
		}
	}
	if err := drawn(ctx, x, "/trace?"+four); err != nil {
		return err
	}
	return x.proc.stop()
}

// writeNight writes a night as the box would have left it: sealed and rolled up.
func writeNight(ctx context.Context, dir string, known []sensors.Point, begun time.Time) (err error) {
	j, err := journal.Open(ctx, dir, quiet())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	if err := j.Points(known); err != nil {
		return err
	}
	at := rules.Instant{Boot: 1}
	if err := j.Append([]rules.Entry{{At: at, Body: &rules.Started{}}, {At: at, Body: &rules.Clocked{Wall: begun.UnixMilli(), Source: "log", Proven: true}}}, nil); err != nil {
		return err
	}
	for second := range nightHours * 3600 {
		at.Since = time.Duration(second) * time.Second
		entries := make([]rules.Entry, points)
		for i := range entries {
			value := sensors.Temperature.Round(celsius(i*40 + second/20 + second%3))
			entries[i] = rules.Entry{At: at, Body: &rules.Measured{Reading: sensors.Reading{Point: pointName(i), Value: value}, Taken: at.Since}}
		}
		if err := j.Append(entries, nil); err != nil {
			return err
		}
	}
	return errors.Join(j.Seal(ctx, at), j.RollUp(ctx))
}

// timed says how long an answer takes and how large it is, packed and not.
func timed(ctx context.Context, x *box, what, path string) error {
	var took []time.Duration
	var packed, plain int64
	if err := x.answers(ctx); err != nil { // it may still be starting
		return err
	}
	const times = 25
	before := used(x.proc.cmd.Process.Pid)
	for range times {
		r, err := http.NewRequestWithContext(ctx, http.MethodGet, x.url()+path, nil)
		if err != nil {
			return err
		}
		r.Header.Set("Accept-Encoding", "gzip")
		asked := time.Now()
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			return err
		}
		body := &counted{Reader: resp.Body}
		text := io.Reader(body)
		if resp.Header.Get("Content-Encoding") == "gzip" {
			if text, err = gzip.NewReader(body); err != nil {
				return err
			}
		}
		plain, err = io.Copy(io.Discard, text)
		if err = errors.Join(err, resp.Body.Close()); err != nil || resp.StatusCode != http.StatusOK {
			return fmt.Errorf("%s: %s: %w", path, resp.Status, err)
		}
		took, packed = append(took, time.Since(asked)), body.n
	}
	busy := (used(x.proc.cmd.Process.Pid) - before) / times // of the processor, whatever else it does
	first := took[0]
	slices.Sort(took)
	fmt.Printf("  %s: %v at the median, %v the first time, %v of a core each; %.1f kB packed, %.1f kB unpacked\n",
		what, short(took[len(took)/2]), short(first), busy.Round(100*time.Microsecond), float64(packed)/1000, float64(plain)/1000)
	return nil
}

type counted struct {
	io.Reader
	n int64
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.Reader.Read(p)
	c.n += int64(n)
	return n, err
}

// answers waits until the pages do.
func (x *box) answers(ctx context.Context) error {
	for {
		r, err := http.NewRequestWithContext(ctx, http.MethodGet, x.url(), nil)
		if err != nil {
			return err
		}
		resp, err := http.DefaultClient.Do(r)
		if err == nil {
			return resp.Body.Close()
		}
		select {
		case <-ctx.Done():
			return err
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// slowed is how many times slower than this machine's the phone's processor is made.
const slowed = 4

// drawn opens the page in a browser on a slowed processor and says when its
// curves were drawn, from the beginning of the navigation.
func drawn(ctx context.Context, x *box, path string) error {
	tab, stop, err := browser(ctx)
	if err != nil {
		return err
	}
	defer stop()
	var all []float64
	for range 5 {
		err := chromedp.Do(tab, chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
			_, err := cdp.Call(ctx, target, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: slowed})
			return err
		}), chromedp.Navigate(x.url()+path))
		if err != nil {
			return err
		}
		for {
			ms, err := chromedp.Run(tab, chromedp.Evaluate[float64](`performance.getEntriesByName("trace-drawn")[0]?.startTime ?? -1`))
			if err != nil {
				return err
			}
			if ms >= 0 {
				all = append(all, ms)
				break
			}
			time.Sleep(50 * time.Millisecond)
		}
	}
	first := all[0]
	slices.Sort(all)
	fmt.Printf("  drawn in a browser of 390 px with its processor %d times slowed: %.0f ms after the tap at the median, %.0f ms the first time\n", slowed, all[len(all)/2], first)
	return nil
}

func (x *box) url() string { return "http://127.0.0.1:" + x.port }
