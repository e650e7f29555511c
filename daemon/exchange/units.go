package exchange

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"standwatch/rules"
	"standwatch/sensors"
)

// Unit is a row of a unit list.
type Unit struct {
	Kind                        string // rules.KindIndoor, KindBranch or KindOutdoor
	Name, Address, Room, Branch string
	Port                        int
	RoomM3                      float64
	Model, Capacity             string // as written: notes only
	Line                        int
}

// AllUnits are the units that were understood.
func (p Preview) AllUnits() (all []Unit) {
	for _, l := range p.Lines {
		if l.State == Understood {
			all = append(all, l.Units...)
		}
	}
	return all
}

// unitList reads the rows of a unit list.
type unitList struct {
	*reader
	col   map[string]int // of each meaning that has one
	names map[string]int // lines, by what must be there once
	kind  string         // that the last section's heading names
}

func (r *reader) prepareUnits(rows []record) func(record, *Line) {
	u := &unitList{reader: r, col: map[string]int{}, names: map[string]int{}, kind: rules.KindIndoor}
	for i := range r.cols {
		c := &r.cols[i]
		switch at, twice := u.col[c.Meaning]; {
		case c.Meaning == "":
		case twice && c.Meaning != "note":
			c.Remark = fmt.Sprintf("not used: column %d is the %s, too", at+1, strings.ReplaceAll(c.Meaning, "_", " "))
			c.Meaning = ""
		case !twice:
			u.col[c.Meaning] = i
		}
	}
	// A list without a column of names may name its units by address.
	if _, ok := u.col["name"]; !ok && len(r.cols) > 0 {
		if at, ok := u.col["address"]; ok {
			u.col["name"] = at
			r.p.Remarks = append(r.p.Remarks, "no column names the units: their addresses are their names")
		} else {
			r.ask("--columns", "no column names the units", "say which it is", "--columns \"name=HEADING\"")
		}
	}
	r.decimals(rows, func(c Column) bool { return c.Meaning == "room_volume" })
	return u.row
}

func (u *unitList) text(row record, meaning string) string {
	i, ok := u.col[meaning]
	if !ok || u.none(row.text(i)) && meaning != "name" {
		return ""
	}
	return oneLine(row.text(i))
}

var (
	portNumber = regexp.MustCompile(`^(?i:port|p|anschluss|abgang|porta|puerto|sortie|no\.?|nr\.?|#)? ?(\d{1,2})$`)
	onPort     = regexp.MustCompile(`^(.*[^\s/:#-])\s*[/:#]\s*(?i:p|port)?\s*(\d{1,2})$`)
	unfit      = regexp.MustCompile(`[\s/,"]+`)
)

var unitKinds = []string{"kind indoor", "kind outdoor", "kind branch"}

func (u *unitList) row(row record, l *Line) {
	at, filled := row.firstText()
	first := row.fields[at].text
	switch {
	case u.badText(row, l):
		return
	case u.isHeading(row):
		l.State = Heading
		return
	case u.v.total(first):
		l.State = Total
		return
	case filled == 1 && (len(u.col) > 1 || strings.ContainsRune(first, ' ')):
		l.State = Title
		if k := u.v.whole(strings.TrimSuffix(first, "s"), unitKinds); k != "" {
			u.kind = strings.TrimPrefix(k, "kind ")
			l.Remarks = append(l.Remarks, "what follows are "+u.kind+" units")
		}
		return
	case u.tooWide(row, l):
		return
	}
	l.State = Understood
	x := Unit{Kind: u.kind, Line: l.From, Address: u.text(row, "address"), Room: u.text(row, "room"), Model: u.text(row, "model"), Branch: u.text(row, "branch")}
	if text := u.text(row, "kind"); text != "" {
		k := u.v.whole(text, unitKinds)
		if k == "" {
			u.fault(l, row, u.col["kind"], fmt.Sprintf("%q is not a kind of unit", text), "write indoor, outdoor or branch")
		}
		x.Kind = strings.TrimPrefix(k, "kind ")
	}
	if i, ok := u.col["capacity"]; ok && !u.none(row.text(i)) {
		x.Capacity = oneLine(row.text(i))
		if c := u.cols[i]; c.Unit != "" && strings.Trim(x.Capacity, "0123456789.,") == "" {
			x.Capacity += " " + c.Unit
		}
	}
	u.readName(row, l, &x)
	u.readPort(row, l, &x)
	u.readVolume(row, l, &x)
	u.once(row, l, "address", x.Kind+" address "+strings.ToLower(x.Address), x.Address)
	if l.State == Understood {
		l.Units = []Unit{x}
	}
}

// readName takes the unit's name, made fit for the site file.
func (u *unitList) readName(row record, l *Line, x *Unit) {
	i, ok := u.col["name"]
	if !ok {
		u.cannot(l, row, 0, trouble{problem: "the unit has no name", want: "say which column names the units", asks: "--columns"})
		return
	}
	text := u.text(row, "name")
	x.Name = strings.Trim(unfit.ReplaceAllString(text, "-"), "-")
	if x.Name == "" {
		u.fault(l, row, i, "the unit has no name", "write the name it has on the drawing")
		return
	}
	if x.Name != text {
		l.Remarks = append(l.Remarks, fmt.Sprintf("named %s: names have no blank, slash, comma or quote", x.Name))
	}
	u.once(row, l, "name", "name "+x.Name, x.Name)
}

// once tells of what must not be there twice.
func (u *unitList) once(row record, l *Line, meaning, key, text string) {
	if text == "" {
		return
	}
	if before, twice := u.names[key]; twice {
		u.fault(l, row, u.col[meaning], fmt.Sprintf("the %s %s is taken", meaning, text), fmt.Sprintf("line %d has it already", before))
		return
	}
	u.names[key] = l.From
}

// readPort takes the branch unit and its port, from two columns or from one.
func (u *unitList) readPort(row record, l *Line, x *Unit) {
	text := u.text(row, "port")
	from := "port"
	if text == "" {
		if m := onPort.FindStringSubmatch(x.Branch); m != nil {
			x.Branch, text, from = m[1], m[2], "branch"
			l.Remarks = append(l.Remarks, fmt.Sprintf("branch unit %s, port %s", m[1], m[2]))
		}
	} else if m := onPort.FindStringSubmatch(text); m != nil && x.Branch == "" {
		x.Branch, text = m[1], m[2]
		l.Remarks = append(l.Remarks, fmt.Sprintf("branch unit %s, port %s", m[1], m[2]))
	}
	if fit := strings.Trim(unfit.ReplaceAllString(x.Branch, "-"), "-"); fit != x.Branch {
		l.Remarks = append(l.Remarks, "branch unit named "+fit+": names have no blank, slash, comma or quote")
		x.Branch = fit
	}
	if text == "" {
		return
	}
	i := u.col[from]
	m := portNumber.FindStringSubmatch(text)
	n := 0
	if m != nil {
		n, _ = strconv.Atoi(m[1])
	}
	switch {
	case n < 1 || n > 64:
		u.fault(l, row, i, fmt.Sprintf("%q is not a port", text), "write a whole number from 1 to 64")
		return
	case x.Branch == "":
		u.fault(l, row, i, "a port without a branch unit", "write which branch unit it is on")
		return
	}
	x.Port = n
	u.once(row, l, from, fmt.Sprintf("port %s/%d", x.Branch, n), fmt.Sprintf("%d of %s", n, x.Branch))
}

func (u *unitList) readVolume(row record, l *Line, x *Unit) {
	text := u.text(row, "room_volume")
	if text == "" {
		return
	}
	i := u.col["room_volume"]
	parts, ok := u.v.parts(text)
	unit := u.cols[i].Unit
	if ok && len(parts) == 1 && parts[0].unit != "" {
		unit = parts[0].unit
	}
	scale, _ := sensors.ParseQuantity("1 "+unit, sensors.Volumes)
	if !ok || len(parts) != 1 || scale == 0 {
		u.fault(l, row, i, fmt.Sprintf("%q is no volume of a room", text), "write it with its unit, such as 45 m3")
		return
	}
	v, remark, problem, want := parts[0].number.value(u.styles[i].decimal, u.styles[i].said, func(v float64) bool { return v*scale > 1 && v*scale < 1e5 })
	if problem != "" {
		u.cannot(l, row, i, trouble{problem, want, asksDecimal(parts[0].number)})
		return
	}
	if remark != "" {
		l.Remarks = append(l.Remarks, remark)
	}
	x.RoomM3 = v * scale
}

// branchNames are the branch units that the list names, in its order.
func (p Preview) branchNames() (names []string) {
	for _, u := range p.AllUnits() {
		n := u.Branch
		if u.Kind == rules.KindBranch {
			n = u.Name
		}
		if n != "" && !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	return names
}
