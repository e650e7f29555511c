package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"time"

	"standwatch/daemon/config"
	"standwatch/daemon/fieldlog"
	"standwatch/daemon/simulate/trial"
	"standwatch/rules"
	"standwatch/sensors/all"
)

// judged is a trial without its rows, and what was said of it.
type judged struct {
	truth trial.Trial
	begun map[string]float64 // when steps began, s from the first row
	said  []said
}

// said is a finding and its moment, s from the first row.
type said struct {
	s float64
	rules.Finding
}

func (c judged) number(name string) float64 { v, _ := c.truth.Number(name); return v }
func (c judged) has(name string) bool       { _, ok := c.truth.Number(name); return ok }
func (c judged) yes(name string) bool       { return c.truth.Word(name) == "yes" }

// facts are a line of what was true.
func (c judged) facts() string {
	var parts []string
	for _, f := range c.truth.Truth {
		what := f.Word
		if what == "" {
			what = strconv.FormatFloat(f.Number, 'g', 4, 64)
		}
		if what != "0" && what != "no" {
			parts = append(parts, f.Name+" "+what)
		}
	}
	return strings.Join(parts, ", ")
}

// verdict is a step's last one.
func (c judged) verdict(step string) (v said, ok bool) {
	for _, f := range c.said {
		if f.Edge == rules.Given && f.Step == step {
			v, ok = f, true
		}
	}
	return v, ok
}

// raised are the moments at which a flag was raised, of all urgencies.
func (c judged) raised(flag string) (at []said) {
	for _, f := range c.said {
		if f.Edge == rules.Raised && f.Flag == flag {
			at = append(at, f)
		}
	}
	return at
}

// value is a finding's figure.
func (f said) value(key string) (v float64, ok bool) {
	for _, x := range f.Values {
		if x.Key == key {
			return x.Number, true
		}
	}
	return 0, false
}

// outcome is a verdict in a word or two.
func (f said) outcome() string {
	if f.Cause == "" || f.Cause == "none" {
		return f.Result
	}
	return f.Result + " (" + f.Cause + ")"
}

// judgeAll makes the trials, has them judged on all processors, and hands them
// on in the order of their seeds.
func judgeAll(s trial.Scenario, from, seeds uint64, take func(judged)) error {
	type result struct {
		judged
		err error
	}
	results := make([]chan result, seeds)
	for i := range results {
		results[i] = make(chan result, 1)
	}
	next := make(chan int)
	var workers sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			for i := range next {
				c, err := judge(s.Of(from + uint64(i)))
				results[i] <- result{c, err}
			}
		})
	}
	go func() {
		for i := range results {
			next <- i
		}
		close(next)
	}()
	var first error
	for _, r := range results {
		if got := <-r; got.err != nil && first == nil {
			first = got.err
		} else if first == nil {
			take(got.judged)
		}
	}
	workers.Wait()
	return first
}

// judge puts a trial through what a replay goes through: its site file, its
// log as written, the engine.
func judge(t trial.Trial) (c judged, err error) {
	site, err := siteOf(t)
	if err != nil {
		return c, fmt.Errorf("%s, seed %d: %w", t.Scenario, t.Seed, err)
	}
	c = judged{truth: t, begun: map[string]float64{}}
	c.truth.Rows = nil
	from := t.Rows[0].Time
	for _, r := range t.Rows {
		if r.Kind == "begin" {
			c.begun[r.Name] = r.Time.Sub(from).Seconds()
		}
	}
	replay, engine := fieldlog.NewReplay(site), rules.NewEngine(site, rules.All())
	return c, hear(t, site, replay, func(e rules.Entry) {
		for _, f := range engine.Next(e) {
			at := time.UnixMilli(replay.Wall(f.At))
			c.said = append(c.said, said{at.Sub(from).Seconds(), f})
		}
	})
}

// hear hands on what a replay of the trial's log hears, in its order.
func hear(t trial.Trial, site rules.Site, replay *fieldlog.Replay, next func(rules.Entry)) error {
	var log bytes.Buffer
	if err := t.WriteLog(&log); err != nil {
		return err
	}
	in := fieldlog.NewReader(&log, fmt.Sprintf("%s-%d.csv", t.Scenario, t.Seed), site)
	for {
		row, err := in.Next()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		for _, e := range replay.Next(row) {
			next(e)
		}
	}
}

// siteOf reads the trial's site file as the box would.
func siteOf(t trial.Trial) (site rules.Site, err error) {
	dir, err := os.MkdirTemp("", "standwatch-scoring-")
	if err != nil {
		return site, err
	}
	defer os.RemoveAll(dir)
	if t.TakeOff != "" {
		if err := os.WriteFile(filepath.Join(dir, trial.TakeOffName), []byte(t.TakeOff), 0o600); err != nil {
			return site, err
		}
	}
	file := filepath.Join(dir, "site.yaml")
	if err := os.WriteFile(file, []byte(t.Site), 0o600); err != nil {
		return site, err
	}
	read, faults := config.Load(file, all.Drivers())
	if len(faults) > 0 {
		return site, faults[0]
	}
	return read.Site, nil
}
