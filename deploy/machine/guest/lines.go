package main

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"standwatch/deploy/machine/chips"
)

// The module's lines, by their place.
const (
	lineHorn    = 4 // GPIO17
	lineContact = 5 // GPIO22
	lineLamp    = 7 // GPIO27
)

// lines remembers what the box did to its outputs.
type lines struct {
	mu     sync.Mutex
	levels map[int]bool
	high   map[int]time.Time // when it was last seen high
}

func newLines() *lines { return &lines{levels: map[int]bool{}, high: map[int]time.Time{}} }

func (l *lines) told(line int, high bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.levels[line] || high {
		l.high[line] = time.Now()
	}
	l.levels[line] = high
}

// rests reports whether a line has been low for that long: a horn sounds in beats.
func (l *lines) rests(line int, long time.Duration) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return !l.levels[line] && time.Since(l.high[line]) > long
}

func (l *lines) on(line int) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.levels[line]
}

// until waits for something and tells how long it took; -1: it did not come.
func until(what func() bool) time.Duration {
	begun := time.Now()
	for time.Since(begun) < patience {
		if what() {
			return time.Since(begun)
		}
		time.Sleep(step / 4)
	}
	return -1
}

// outputs is run before anything else raises a flag. It begins a pressure test, powers the indoor units while it runs, which is too
// early, and watches the contact's edges, the horn and the lamp.
func outputs(b *chips.Board, l *lines) error {
	var wrong []error
	see := func(what string, is func() bool) {
		took := until(is)
		if took < 0 {
			fmt.Printf("%-60s NOT within %v\n", what, patience)
			wrong = append(wrong, errors.New(what+": not seen"))
			return
		}
		fmt.Printf("%-60s after %.2f s\n", what, took.Seconds())
	}
	contact := func(want float64) func() bool {
		return func() bool {
			all, err := listen()
			s := all["indoor-power"]
			return err == nil && s != nil && s.known && s.value == want
		}
	}
	see("contact open at the start", contact(0))
	see("horn and lamp driven low at the start", func() bool {
		l.mu.Lock()
		defer l.mu.Unlock()
		_, horn := l.levels[lineHorn]
		_, lamp := l.levels[lineLamp]
		return horn && lamp && !l.levels[lineHorn] && !l.levels[lineLamp]
	})
	if err := post(url.Values{"kind": {"begin"}, "step": {"pressure-test"}, "reason": {"a trial"}}); err != nil {
		return err
	}
	if err := b.SetLine(lineContact, false); err != nil {
		return err
	}
	see("the contact closes: its edge is a reading", contact(1))
	see("power too early: the horn sounds", func() bool { return l.on(lineHorn) })
	see("and the lamp is lit", func() bool { return l.on(lineLamp) })
	if err := b.SetLine(lineContact, true); err != nil {
		return err
	}
	see("the contact opens", contact(0))
	if err := post(url.Values{"kind": {"acknowledge"}, "flag": {"power-too-early"}, "subject": {"indoor-power"}, "system": {system()}}); err != nil {
		return err
	}
	see("acknowledged: the horn is silent", func() bool { return l.rests(lineHorn, 3*time.Second) })
	if !l.on(lineLamp) {
		wrong = append(wrong, errors.New("the lamp went dark when the flag was acknowledged"))
	}
	for _, kind := range []string{"end", "begin"} { // anew, without power
		see("pressure test: "+kind, func() bool { // the page learns of what was told before within a commit
			return post(url.Values{"kind": {kind}, "step": {"pressure-test"}, "reason": {"a trial"}}) == nil
		})
	}
	see("the test begins anew without power: the lamp is dark", func() bool { return l.rests(lineLamp, 3*time.Second) })
	return errors.Join(wrong...)
}

// system is the name by which the box knows its only system.
func system() string {
	all, err := listen()
	if s := all["indoor-power"]; err == nil && s != nil {
		return s.system
	}
	return ""
}

// post tells the box something, by the form of its pages.
func post(form url.Values) error {
	form.Set("by", "the rig")
	form.Set("back", "/")
	r, err := (&http.Client{
		Timeout:       10 * time.Second,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}).Post(pages+"/marks", "application/x-www-form-urlencoded", strings.NewReader(form.Encode()))
	if err != nil {
		return err
	}
	defer r.Body.Close()
	if r.StatusCode != http.StatusSeeOther {
		return fmt.Errorf("the page answered %v with %s", form, r.Status)
	}
	return nil
}
