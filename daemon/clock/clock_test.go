package clock

import (
	"os"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"standwatch/rules"
)

func TestProven(t *testing.T) {
	now := time.Date(2026, 11, 24, 23, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name string
		f    facts
		want bool
	}{
		{"server told by the network", facts{wall: now, synchronised: true}, true},
		{"virtual machine, host keeps the time", facts{wall: now}, true},
		{"board, synchronised", facts{wall: now, synchronised: true, deviceTree: true}, true},
		{"board with a battery clock", facts{wall: now, deviceTree: true, rtc: true}, true},
		{"board with nothing", facts{wall: now, deviceTree: true}, false},
		{"board at the epoch, battery flat", facts{wall: time.Unix(60, 0), deviceTree: true, rtc: true}, false},
		{"anything before the program was built", facts{wall: built.Add(-time.Second), synchronised: true}, false},
		{"the very first moment", facts{wall: built}, true},
	} {
		if got := proven(c.f); got != c.want {
			t.Errorf("%s: proven %v, want %v", c.name, got, c.want)
		}
	}
}

// Where Linux tells it (sysfs(5), proc(5)): what a board and a server have.
func TestMadeOf(t *testing.T) {
	for _, c := range []struct {
		files     fstest.MapFS
		tree, rtc bool
	}{
		{fstest.MapFS{"sys/class/net/eth0": {}}, false, false},
		{fstest.MapFS{"proc/device-tree/model": {}}, true, false},
		{fstest.MapFS{"sys/firmware/devicetree/base/model": {}, "sys/class/rtc/rtc0/name": {}}, true, true},
		{fstest.MapFS{"sys/firmware/efi": {}, "sys/class/rtc/rtc1": {}}, false, true},
	} {
		if tree, rtc := madeOf(c.files); tree != c.tree || rtc != c.rtc {
			t.Errorf("%v: a device tree %v, a battery's clock %v; want %v, %v", c.files, tree, rtc, c.tree, c.rtc)
		}
	}
}

// The kernel's own account of its uptime (proc_uptime(5)) is the check.
func TestSinceIsTheMachines(t *testing.T) {
	c, err := Running()
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile("/proc/uptime")
	if err != nil {
		t.Fatal(err)
	}
	uptime, err := strconv.ParseFloat(strings.Fields(string(b))[0], 64)
	if err != nil {
		t.Fatal(err)
	}
	if d := c.Since().Seconds() - uptime; d < -2 || d > 2 {
		t.Errorf("since boot %v, the kernel says %.2f s", c.Since(), uptime)
	}
	if len(c.Machine()) != 36 {
		t.Errorf("the boot id %q is no UUID", c.Machine())
	}
}

func TestSinceRunsWithTheBubble(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, err := Running()
		if err != nil {
			t.Fatal(err)
		}
		first := c.Since()
		time.Sleep(24 * time.Hour)
		if got := c.Since() - first; got != 24*time.Hour {
			t.Errorf("a day took %v", got)
		}
		if c.Since()%time.Millisecond != 0 {
			t.Errorf("%v is not whole milliseconds", c.Since())
		}
		if a := c.Anchor(c.Since()); a.Proven {
			t.Errorf("the bubble's year 2000 is taken for proven: %+v", a)
		}
	})
}

// board makes a clock whose wall the test sets: a board without a battery.
func board(wall *time.Time) *Clock {
	return &Clock{start: time.Now(), facts: func() facts { return facts{wall: *wall, read: time.Now(), deviceTree: true} }}
}

func TestAnUnprovenWallNeverLiesBeforeTheJournal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begin := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
		wall := begin
		c := board(&wall)
		last := begin.Add(48 * time.Hour).UnixMilli()
		c.NotBefore(last)
		a, at := c.Anchor(c.Since()), c.Since()
		if a.Wall != last || a.Proven {
			t.Errorf("anchor %+v, want wall %d, not proven", a, last)
		}
		time.Sleep(time.Minute)
		wall = begin.Add(time.Minute)
		b := c.Anchor(c.Since())
		if b.Wall != last+60_000 {
			t.Errorf("a minute later wall is %d, want %d", b.Wall, last+60_000)
		}
		if Moved(at, a, c.Since(), b) {
			t.Error("a clock that only ran on is called moved")
		}
		wall = begin.Add(72 * time.Hour)
		if d := c.Anchor(c.Since()); d.Wall != wall.UnixMilli() || !Moved(at, a, c.Since(), d) {
			t.Errorf("the wall was set a day ahead: %+v", d)
		}
	})
}

func TestAnchorBelongsToItsEntry(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		wall := time.Date(2026, 3, 1, 0, 0, 10, 0, time.UTC)
		c := board(&wall)
		at := c.Since()
		time.Sleep(10 * time.Second) // the entry was stamped ten seconds ago
		if a := c.Anchor(at); a.Wall != wall.Add(-10*time.Second).UnixMilli() {
			t.Errorf("the anchor is %v, want ten seconds before %v", time.UnixMilli(a.Wall).UTC(), wall)
		}
	})
}

// A machine that is busy with something else takes its time between reading the
// wall clock and what is said of it: no clock was set for that.
func TestABusyMachineSetsNoClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		busy := time.Duration(0)
		c := &Clock{start: time.Now(), booted: time.Hour, facts: func() facts {
			now := time.Now()
			f := facts{wall: now, read: now}
			time.Sleep(busy)
			return f
		}}
		at := c.Since()
		a := c.Anchor(at)
		time.Sleep(time.Second)
		busy = 400 * time.Millisecond
		now := c.Since()
		if b := c.Anchor(now); Moved(at, a, now, b) || b.Wall-a.Wall != 1000 {
			t.Errorf("a second later the wall is %d ms later, and called set", b.Wall-a.Wall)
		}
	})
}

func TestMoved(t *testing.T) {
	at := time.Hour
	was := &rules.Clocked{Wall: 1_790_000_000_000}
	for _, c := range []struct {
		name string
		last *rules.Clocked
		now  rules.Clocked
		want bool
	}{
		{"none before", nil, rules.Clocked{}, true},
		{"ran on", was, rules.Clocked{Wall: was.Wall + 60_000}, false},
		{"jitter", was, rules.Clocked{Wall: was.Wall + 60_002}, false},
		{"ahead", was, rules.Clocked{Wall: was.Wall + 61_000}, true},
		{"back", was, rules.Clocked{Wall: was.Wall - 7_200_000}, true},
		{"same wall, now proven", was, rules.Clocked{Wall: was.Wall + 60_000, Proven: true}, true},
		{"no longer proven", &rules.Clocked{Wall: was.Wall, Proven: true}, rules.Clocked{Wall: was.Wall + 60_000}, false},
	} {
		if got := Moved(at, c.last, at+time.Minute, &c.now); got != c.want {
			t.Errorf("%s: moved %v, want %v", c.name, got, c.want)
		}
	}
}

func TestOwn(t *testing.T) {
	o := Own{Source: "log"}
	if o.Stamp(0) != 0 || o.Begun() {
		t.Error("time ran before any reading told it")
	}
	const t0 = 1_790_000_000_000
	for _, c := range []struct {
		own  int64
		want time.Duration
	}{
		{t0, 0}, {t0 + 1500, 1500 * time.Millisecond}, {0, 1500 * time.Millisecond},
		{t0 - 60_000, 1500 * time.Millisecond}, // a late reading never turns time back
		{t0 + 2000, 2 * time.Second},
	} {
		if got := o.Stamp(c.own); got != c.want {
			t.Errorf("own %d: at %v, want %v", c.own, got, c.want)
		}
	}
	if a := o.Anchor(2 * time.Second); a.Wall != t0+2000 || !a.Proven || a.Source != "log" {
		t.Errorf("anchor %+v", a)
	}
}

func TestGap(t *testing.T) {
	const wall = 1_790_000_000_000
	for _, c := range []struct {
		name          string
		before, after Moment
		want          time.Duration
		known         bool
	}{
		{"the program restarted, whatever the walls say", Moment{"m", time.Hour, wall, false}, Moment{"m", time.Hour + 7*time.Second, 5, false}, 7 * time.Second, true},
		{"power cut, both clocks proven", Moment{"m", time.Hour, wall, true}, Moment{"n", time.Minute, wall + 600_000, true}, 10 * time.Minute, true},
		{"power cut, the new clock not proven", Moment{"m", time.Hour, wall, true}, Moment{"n", time.Minute, wall + 600_000, false}, 0, false},
		{"power cut, the old clock not proven", Moment{"m", time.Hour, wall, false}, Moment{"n", time.Minute, wall + 600_000, true}, 0, false},
		{"proven clocks that contradict", Moment{"m", time.Hour, wall, true}, Moment{"n", time.Minute, wall - 1, true}, 0, false},
		{"no boot id on either side", Moment{"", time.Hour, wall, false}, Moment{"", 2 * time.Hour, wall, false}, 0, false},
	} {
		if got, known := Gap(c.before, c.after); got != c.want || known != c.known {
			t.Errorf("%s: gap %v, %v; want %v, %v", c.name, got, known, c.want, c.known)
		}
	}
}

func TestTaken(t *testing.T) {
	const bootWall = 1_790_000_000_000
	at := time.Hour
	for _, c := range []struct {
		name     string
		own      int64
		proven   bool
		want     time.Duration
		believed bool
	}{
		{"no time of its own", 0, true, at, true},
		{"half a second ago", bootWall + 3_599_500, true, at - 500*time.Millisecond, true},
		{"kept since yesterday, before the boot", bootWall - 86_400_000, true, -24 * time.Hour, true},
		{"a little ahead", bootWall + 3_600_000 + 1000, true, at + time.Second, true},
		{"ten years ahead", bootWall + 315_576_000_000, true, at, false},
		{"ten years back", bootWall - 315_576_000_000, true, at, false},
		{"as far as a number goes", -1 << 63, true, at, false},
		{"the box does not know the time", bootWall, false, at, true},
	} {
		got, ok := Taken(c.own, at, bootWall, c.proven)
		if got != c.want || ok != c.believed {
			t.Errorf("%s: taken %v, %v; want %v, %v", c.name, got, ok, c.want, c.believed)
		}
	}
}
