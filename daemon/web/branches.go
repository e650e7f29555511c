package web

import (
	"strconv"
	"strings"
)

// The branch table: which unit hangs on which port, as drawn, where it answers
// on the control wires, and who answered when it was asked.

type branchesView struct {
	Systems []branchSystem
}

type branchSystem struct {
	System   string
	Rows     []branchRow
	Ports    bool       // the site file tells branch units and ports
	Check    *stepRow   // the newest branch check
	Sentence string     // of its judge, while it is under way
	Answers  *tableView // of that check
	Earlier  []stepRow
	Begin    string // where to begin one
	Sheet    string
}

type branchRow struct {
	Unit, Room       string
	Port             string // as drawn
	Address          string
	State, StateWord string // of the newest branch check
	Said             string
}

func (s *screens) branchesPage(snap Snapshot, c choice) branchesView {
	var v branchesView
	for _, sys := range snap.Site.Systems {
		b := branchSystem{System: sys.Name, Begin: stepURL(sys.Name, "branch-check"), Sheet: sheetURL(sys.Name)}
		answered := map[string]answerRow{}
		for _, st := range snap.newestFirst() {
			if st.Name != "branch-check" || st.System != sys.Name || !snap.ofNewest(st) {
				continue
			}
			row := s.rowOf(snap, st)
			if b.Check != nil {
				b.Earlier = append(b.Earlier, row)
				continue
			}
			b.Check, b.Answers = &row, s.answers(snap, c, st)
			if b.Answers == nil {
				continue
			}
			for _, r := range b.Answers.Rows {
				answered[r.Unit] = r
			}
		}
		sheet := snap.sheet(sys.Name)
		for _, u := range sys.Units {
			row := branchRow{Unit: u.Name, Room: u.Room, State: waiting, Said: s.words.say("answers.waiting")}
			if u.Branch != "" {
				row.Port, b.Ports = u.Branch, true
				if u.Port > 0 {
					row.Port = s.words.say("branches.port-of", u.Branch, strconv.Itoa(u.Port))
				}
			}
			for _, x := range sheet.Rows {
				if x.Unit == u.Name {
					row.Address = strings.Join(append([]string{x.Address}, x.Others...), ", ")
				}
			}
			if r, ok := answered[u.Name]; ok {
				row.State, row.Said = r.State, r.Said
			}
			row.StateWord = s.words.name("state", row.State)
			b.Rows = append(b.Rows, row)
		}
		v.Systems = append(v.Systems, b)
	}
	return v
}
