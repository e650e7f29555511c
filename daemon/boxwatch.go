package daemon

import (
	"context"
	"slices"
	"strings"
	"syscall"
	"time"

	"standwatch/daemon/web"
	"standwatch/rules"
)

// boxWatchEvery is how often the box looks at itself.
const boxWatchEvery = 30 * time.Second

// boxWatch notes how the box itself stands, as marks, so that what is judged
// of it follows from the journal like everything else. It keeps in mind only
// since when a store is away: what has been noted the open flags say.
type boxWatch struct {
	away map[string]time.Time
	cuts map[string]*cut // by broker
}

// brokerLookEvery is how often the brokers are looked at: sooner than any point
// counts as silent (10 s at least), so that the silence can name its cause.
const brokerLookEvery = 2 * time.Second

// What a link that comes and goes must do to be noted (our choice): a connection
// that is made again within moments silences nothing.
const (
	brokerAwayFor = 4 * time.Second
	brokerBackFor = 10 * time.Second
)

// cut is how the connection to a broker is, and what was noted of it.
type cut struct {
	ok    bool
	since time.Time
	noted bool // that it is away
}

// brokers returns what has to be noted of those by which points are heard.
func (w *boxWatch) brokers(now time.Time, points []web.Point, devices []web.Device) (marks []rules.Told) {
	for _, d := range devices {
		if !slices.ContainsFunc(points, func(p web.Point) bool { return p.Source == "mqtt" && p.Device == d.Name }) {
			continue
		}
		c := w.cuts[d.Name]
		if c == nil || c.ok != d.OK {
			noted := c != nil && c.noted
			c = &cut{d.OK, now, noted}
			w.cuts[d.Name] = c
		}
		switch long := now.Sub(c.since); {
		case !c.ok && !c.noted && long >= brokerAwayFor:
			c.noted = true
			marks = append(marks, rules.BrokerAway(d.Name))
		case c.ok && c.noted && long >= brokerBackFor:
			c.noted = false
			marks = append(marks, rules.BrokerBack(d.Name))
		}
	}
	return marks
}

// untold takes back that marks of brokers were noted.
func (w *boxWatch) untold(marks []rules.Told) {
	for _, m := range marks {
		if c := w.cuts[strings.Fields(m.Note)[2]]; c != nil {
			c.noted = !c.noted
		}
	}
}

// watchBox looks until ctx ends.
func (d *Daemon) watchBox(ctx context.Context) {
	if d.parts.OwnTimes { // a simulated night has no disk and no store of its own
		return
	}
	w := boxWatch{map[string]time.Time{}, map[string]*cut{}}
	t, often := time.NewTicker(boxWatchEvery), time.NewTicker(brokerLookEvery)
	defer t.Stop()
	defer often.Stop()
	note := func(marks []rules.Told) bool {
		if len(marks) == 0 {
			return true
		}
		err := d.Tell(ctx, marks...)
		if err != nil && ctx.Err() == nil {
			d.parts.Log.Warn("how the box stands was not noted, trying again later", "error", err)
		}
		return err == nil
	}
	for {
		select {
		case <-ctx.Done():
			return
		case <-often.C:
			s := d.Now()
			if marks := w.brokers(time.Now(), s.Points, s.Devices); !note(marks) {
				w.untold(marks)
			}
			continue
		case <-t.C:
		}
		free := 1.0
		if d.parts.Data != "" {
			part, err := diskFree(d.parts.Data)
			if err != nil {
				d.parts.Log.Warn("how full the journal's disk is cannot be seen", "error", err)
			} else {
				free = part
			}
		}
		note(w.look(time.Now(), d.Now(), free))
	}
}

// look returns what has to be noted.
func (w *boxWatch) look(now time.Time, s web.Snapshot, free float64) (marks []rules.Told) {
	open := func(flag, subject string) (rules.Urgency, bool) {
		for _, f := range s.Flags {
			if f.Flag.Flag == flag && f.Subject == subject {
				return f.Urgency, true
			}
		}
		return 0, false
	}
	for _, f := range s.Outward {
		name, store := strings.CutPrefix(f.Name, "uplink:")
		if !store {
			continue
		}
		_, told := open("store-unreachable", name)
		since, away := w.away[name]
		switch {
		case f.OK:
			delete(w.away, name)
			if told {
				marks = append(marks, rules.StoreBack(name))
			}
		case !away:
			w.away[name] = now
		case !told && now.Sub(since) >= rules.StoreAwayFor:
			marks = append(marks, rules.StoreAway(name, now.Sub(since).Truncate(time.Second)))
		}
	}
	urgency, told := open("disk-filling", "")
	switch {
	case free >= rules.DiskEnough && told,
		free < rules.DiskLow && !told,
		free < rules.DiskLeast && urgency < rules.Tell:
		marks = append(marks, rules.DiskFree(free))
	}
	return marks
}

// diskFree is the part of a folder's disk that the box may still fill.
func diskFree(dir string) (float64, error) {
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		return 0, err
	}
	if st.Blocks == 0 { // a file system that does not say
		return 1, nil
	}
	return float64(st.Bavail) / float64(st.Blocks), nil
}

// diskRoom is how many bytes a folder's disk takes still.
func diskRoom(dir string) (int64, error) {
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		return 0, err
	}
	return int64(st.Bavail) * int64(st.Bsize), nil
}
