package daemon

import (
	"context"
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
}

// watchBox looks until ctx ends.
func (d *Daemon) watchBox(ctx context.Context) {
	if d.parts.OwnTimes { // a simulated night has no disk and no store of its own
		return
	}
	w := boxWatch{map[string]time.Time{}}
	t := time.NewTicker(boxWatchEvery)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
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
		marks := w.look(time.Now(), d.Now(), free)
		if len(marks) == 0 {
			continue
		}
		if err := d.Tell(ctx, marks...); err != nil && ctx.Err() == nil {
			d.parts.Log.Warn("how the box stands was not noted, trying again later", "error", err)
		}
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
