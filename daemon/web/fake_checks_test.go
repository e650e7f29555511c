package web

import (
	"time"

	"standwatch/rules"
)

// checking is a site at which the pressure test comes next: some checks are
// done, one is found wrong, one has a photo, and most are open.
func (b *fakeBox) checking(s *Snapshot, now time.Time) {
	s.Running, s.Past, s.Flags, s.Marks = nil, s.Past[:0:0], nil, nil
	s.Past = append(s.Past, Step{Step: rules.Step{Name: "take-off", Begin: 2}, Begun: now.Add(-4 * time.Hour), Ended: now.Add(-3 * time.Hour)})
	photo, _ := b.KeepPhoto(plainJPEG(160, 120)) // it has room
	list := rules.NewCheckList(s.Site, "")
	at := map[uint64]time.Time{}
	for i, note := range []string{
		"pipe-sizes done by Ines: against drawing M-12, revision C", "branch-order done by Ines", "lengths-heights done by Ines: 61 m to iu02, 12 m up",
		"no-oil-traps done by Ines", "no-oil-traps wrong by Rui: a dip over the map store photo " + photo, "joints left-open by Ines: take-off was begun all the same, the brazer comes at noon",
		"valves-shut done by Rui photo " + photo + " photo " + photo, "thermostats does-not-apply by Rui: central controller only",
		"drains done by Rui", "drains withdrawn by Rui: that was the north wing", "indoor-power-off done by Ines: twelve isolators, tags 1 to 12",
	} {
		seq := uint64(10 + i)
		list.Tell(rules.Entry{Seq: seq}, &rules.Told{Kind: "mark", Name: "checked", Note: note})
		at[seq] = now.Add(time.Duration(i-60) * time.Minute)
	}
	s.Checks = map[string][]Check{"": {}}
	for _, c := range list.All() {
		x := Check{CheckState: c}
		for _, m := range c.Marks {
			x.Said = append(x.Said, CheckMark{m, at[m.Seq]})
		}
		s.Checks[""] = append(s.Checks[""], x)
	}
}
