// Package config reads the site file: one strict YAML document that says what
// the site is, what is measured and which limits hold. It finds every fault at
// once, each with its line and column and with what would be right, so that
// nobody mends a file one run at a time on a roof.
//
// It reads the site, its systems, points, steps and the box. What stands under
// brokers, uplink, outbox and web, and a point's own source, is kept as nodes
// with positions for the packages that know them.
package config

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"
	_ "time/tzdata" // a bare box has no time zones of its own

	"standwatch/rules"
	"standwatch/sensors"
)

// Site is a site file that has been read.
type Site struct {
	rules.Site
	File      string
	Equipment []Equipment // one a system, in the same order
	Box       Box
	Devices   []Device // in the order in which the points first name them

	// Kept for their owners; the zero Node where not given.
	Brokers, Uplink, Outbox, Web sensors.Node
	Heartbeat, Outputs           sensors.Node // of the box
}

// Box is what the file says of the box itself.
type Box struct {
	Name   string
	Data   string        // folder of the journal, resolved beside the site file
	Commit time.Duration // longest time a reading waits for the disk
	Clock  string        // "checked": the machine's clock must prove itself; "trusted": it is right from the start
	Stick  string        // where a USB stick is mounted that copies go to; empty: nowhere
}

// Device is one bus or broker with all its points, and the driver for it.
type Device struct {
	Driver sensors.Driver
	Config sensors.Config
}

// sources are the keys by which a point names where its readings come from.
var sources = []string{"mqtt", "onewire", "i2c", "spi", "loadcell", "serial", "contact"}

var boxName = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,62})$`)

// Load reads a site file. The faults are sensors.Fault values in the order of
// their places; the site is nil only where the file cannot be opened, and what
// could be read is there even beside faults.
func Load(file string, drivers []sensors.Driver) (*Site, []error) {
	text, err := readFile(file)
	if err != nil {
		return nil, []error{sensors.Fault{File: file, Line: 1, Column: 1, Problem: err.Error(), Want: "give a site file that can be read"}}
	}
	site, faults := parse(file, text, drivers, rules.Limits())
	if site != nil {
		site.readPipes()
	}
	return site, faults
}

func readFile(file string) (string, error) {
	st, err := os.Stat(file)
	switch {
	case err != nil:
		return "", errors.Unwrap(err) // the file is named by the fault
	case st.IsDir():
		return "", errors.New("this is a folder")
	case st.Size() > largest:
		return "", fmt.Errorf("the file has %d bytes, a site file has at most %d", st.Size(), largest)
	}
	b, err := os.ReadFile(file)
	return string(b), cmp.Or(errors.Unwrap(err), err)
}

func parse(file, text string, drivers []sensors.Driver, limits []rules.Limit) (*Site, []error) {
	root, broken, faults := parseYAML(file, text)
	r := reader{
		site:    &Site{Site: rules.Site{Zone: time.UTC}, File: file},
		drivers: drivers, limits: limits, broken: broken,
		faults: faults, named: map[string]sensors.Node{},
	}
	if IsBoard(root) { // nothing else in it is a site's either
		return r.site, []error{root.Fault("this is a board's file, and a site's is wanted", "give a box's site file; a board's is for standwatch board and standwatch check")}
	}
	if !broken || root.Kind == sensors.Mapping {
		r.read(root)
	}
	return r.site, Faults(errors.Join(r.faults...))
}

// IsBoard tells a board's file from a site's: it has the key board and not site.
func IsBoard(root sensors.Node) bool { return has(root, "board") && !has(root, "site") }

// IsSite tells a site's file from a board's.
func IsSite(root sensors.Node) bool { return has(root, "site") && !has(root, "board") }

func has(root sensors.Node, key string) bool {
	return slices.ContainsFunc(root.Fields, func(f sensors.Field) bool { return f.Key == key })
}

// reader gathers a site and its faults.
type reader struct {
	site    *Site
	drivers []sensors.Driver
	limits  []rules.Limit
	faults  []error
	broken  bool                    // a part of the file is missing here: say nothing of what is absent
	named   map[string]sensors.Node // every name on the site and where it was given
	points  map[string]int          // index in site.Points
	places  []sensors.Node          // of the points
	refs    []reference
}

// reference is a name in one place that must be a point elsewhere.
type reference struct {
	node   sensors.Node
	key    string
	system int // index
	fits   []sensors.Quantity
}

func (r *reader) read(root sensors.Node) {
	d := r.decode(root)
	if root.Kind != sensors.Mapping && root.Kind != sensors.Nothing {
		return
	}
	site, box := d.Node("site"), d.Node("box")
	one, many := d.Node("system"), d.Node("systems")
	points, steps, standing := d.Node("points"), d.Node("steps"), d.Node("rules")
	checks := d.Node("checks")
	r.site.Brokers, r.site.Uplink = d.Node("brokers"), d.Node("uplink")
	r.site.Outbox, r.site.Web = d.Node("outbox"), d.Node("web")
	d.Done()

	if !r.broken || site.Kind != sensors.Nothing {
		r.readSite(site, root)
	}
	r.readBox(box)
	r.readSystems(one, many)
	r.readPoints(points)
	r.readSteps(steps)
	r.readChecks(checks)
	r.site.Site.Rules = r.settings(standing, false)
	r.checkReferences()
	r.checkRoles()
	r.group()
}

func (r *reader) decode(n sensors.Node) *sensors.Decoder { return sensors.Decode(n, &r.faults) }

func (r *reader) fault(n sensors.Node, problem, want string) {
	r.faults = append(r.faults, n.Fault(problem, want))
}

// name takes a name that must be unique on the site.
func (r *reader) name(n sensors.Node) string {
	if n.Kind != sensors.Scalar || n.Text == "" {
		return ""
	}
	if first, twice := r.named[n.Text]; twice {
		r.fault(n, fmt.Sprintf("the name %q is taken", n.Text), fmt.Sprintf("line %d has it already: names are unique on the site", first.Line))
		return n.Text
	}
	r.named[n.Text] = n
	for _, c := range n.Text {
		if c <= ' ' || c == '/' || c == ',' || c == '"' {
			r.fault(n, fmt.Sprintf("%q cannot be a name", n.Text), "names have no blank, slash, comma or quote: they stand in topics and logs")
			break
		}
	}
	return n.Text
}

// list gives the mappings of a list; anything else in it, or instead of it, is a fault.
func (r *reader) list(n sensors.Node, what string) []sensors.Node {
	if n.Kind != sensors.List && n.Kind != sensors.Nothing {
		r.fault(n, what+" should be a list", "write [{name: ...}, ...] or a line with - for each")
	}
	var items []sensors.Node
	for _, it := range n.Items {
		if it.Kind != sensors.Mapping {
			r.fault(it, "this should be a mapping", "write {name: ..., ...}")
			continue
		}
		items = append(items, it)
	}
	return items
}

func (r *reader) readSite(n, root sensors.Node) {
	if n.Kind == sensors.Nothing && n.Line == 0 {
		r.fault(root, "site is missing", "add site: {name: ..., timezone: Europe/Lisbon}")
		return
	}
	d := r.decode(n)
	r.site.Name = d.Required("name")
	if z := d.Node("timezone"); z.Kind != sensors.Nothing {
		zone, err := time.LoadLocation(z.Text)
		if err != nil || z.Text == "" || z.Text == "Local" {
			r.fault(z, fmt.Sprintf("timezone: %q is not a time zone", z.Text), "write one of the tz database, such as Europe/Lisbon or UTC")
		} else {
			r.site.Zone = zone
		}
	}
	d.Done()
}

func (r *reader) readBox(n sensors.Node) {
	d := r.decode(n)
	b := Box{Name: d.Text("name", "box"), Data: d.Text("data", "data")}
	if !boxName.MatchString(b.Name) {
		d.Fail(d.Node("name"), fmt.Sprintf("name: %q cannot name a box", b.Name), "write small letters, digits and hyphens, at most 63")
	}
	if b.Data == "" {
		d.Fail(d.Node("data"), "data is empty", "name a folder")
	}
	if !filepath.IsAbs(b.Data) {
		b.Data = filepath.Join(filepath.Dir(r.site.File), b.Data)
	}
	const least, most = 250 * time.Millisecond, 5 * time.Second
	if b.Commit = d.Time("commit", least); b.Commit < least || b.Commit > most {
		d.Fail(d.Node("commit"), fmt.Sprintf("commit: %s is out of range", b.Commit), "write a time from 250ms to 5s: it is what a power cut can lose")
	}
	b.Clock = d.OneOf("clock", "checked", "checked", "trusted")
	if b.Stick = d.Text("stick", ""); b.Stick != "" && (!filepath.IsAbs(b.Stick) || filepath.Clean(b.Stick) == "/") {
		d.Fail(d.Node("stick"), fmt.Sprintf("stick: %q is not where a stick can be mounted", b.Stick), "write the whole path, such as /media/standwatch")
	}
	r.site.Heartbeat, r.site.Outputs = d.Node("heartbeat"), d.Node("outputs")
	d.Done()
	r.site.Box = b
}

// group puts the points of one device together, for its driver.
func (r *reader) group() {
	r.checkBrokers()
	index := map[[2]string]int{}
	for at := range r.site.Points {
		p := &r.site.Points[at]
		i := slices.IndexFunc(r.drivers, func(d sensors.Driver) bool { return d.Name == p.Source })
		if i < 0 {
			continue // replay only, or not built: told already
		}
		driver := r.drivers[i]
		name, entry, ok := r.device(driver, p.Settings)
		if !ok {
			continue
		}
		p.Device = name
		key := [2]string{driver.Name, name}
		at, known := index[key]
		if !known {
			at = len(r.site.Devices)
			index[key] = at
			r.unmixed(driver, name, *p)
			r.site.Devices = append(r.site.Devices, Device{driver, sensors.Config{Name: name, Device: entry, Box: r.site.Box.Name}})
		}
		c := &r.site.Devices[at].Config
		c.Points = append(c.Points, *p)
	}
}

// unmixed faults a bus that is named beside one of its kind that is not: they may be one, and a bus has one owner.
func (r *reader) unmixed(d sensors.Driver, name string, p sensors.Point) {
	if d.Device != "bus" {
		return
	}
	for _, o := range r.site.Devices {
		if o.Driver.Name == d.Name && (o.Config.Name == "") != (name == "") {
			r.fault(p.Settings, fmt.Sprintf("of %s and %s only one names its bus", o.Config.Points[0].Name, p.Name), "name it in both: they may be on one bus, and a bus has one owner")
			return
		}
	}
}

// device finds which device a point's settings name, and its own entry in the
// file. Where only one broker is given, a point need not name it.
func (r *reader) device(d sensors.Driver, settings sensors.Node) (name string, entry sensors.Node, ok bool) {
	if d.Device == "" {
		return "", entry, true
	}
	named := child(settings, d.Device)
	if d.Device != "broker" {
		if d.Spell != nil {
			return d.Spell(named.Text), entry, true
		}
		return named.Text, entry, true
	}
	brokers := slices.DeleteFunc(slices.Clone(Entries(r.site.Brokers)), func(b sensors.Field) bool {
		return OutwardOnly(b.Value) && b.Key != named.Text
	})
	if named.Kind == sensors.Nothing && len(brokers) == 1 {
		return brokers[0].Key, brokers[0].Value, true
	}
	var known []string
	for _, b := range brokers {
		if b.Key == named.Text && named.Kind == sensors.Scalar {
			if OutwardOnly(b.Value) {
				r.fault(named, fmt.Sprintf("broker %q is for outward only, but this point is to be read from it", b.Key), "name another broker, or delete outward: only there")
				return "", entry, false
			}
			return b.Key, b.Value, true
		}
		known = append(known, b.Key)
	}
	switch {
	case r.broken:
	case named.Kind == sensors.Scalar:
		r.fault(named, fmt.Sprintf("there is no broker %q", named.Text), sensors.Known(named.Text, known, "add it under brokers"))
	case len(known) == 0:
		r.fault(settings, "no broker is given for this point", "add brokers: [{name: site, url: tcp://HOST:1883}]")
	default:
		r.fault(settings, "several brokers are given, and this point names none", "add broker: one of "+strings.Join(known, ", "))
	}
	return "", entry, false
}

// OutwardOnly tells whether a broker's entry says that no point is read from
// it: the box only tells it how it stands.
func OutwardOnly(broker sensors.Node) bool { return child(broker, "outward").Text == "only" }

// checkBrokers sees that each broker has a name of its own.
func (r *reader) checkBrokers() {
	n := r.site.Brokers
	if n.Kind == sensors.Scalar {
		r.fault(n, "brokers should be a list", "write [{name: site, url: tcp://HOST:1883}]")
	}
	first := map[string]sensors.Field{}
	for _, b := range Entries(n) {
		at := sensors.Node{File: n.File, Line: b.Line, Column: b.Col}
		if b.Line == 0 {
			at = b.Value
		}
		if other, twice := first[b.Key]; twice {
			r.fault(at, fmt.Sprintf("there is a broker %q already", b.Key), fmt.Sprintf("line %d has it", other.Line))
		}
		if b.Key == "" {
			r.fault(at, "a broker without a name", "add name: a word for it; the points say broker: that word")
		}
		first[b.Key] = b
	}
}

// child gives what stands under a key of a mapping.
func child(n sensors.Node, key string) sensors.Node {
	for _, f := range n.Fields {
		if f.Key == key {
			return f.Value
		}
	}
	return sensors.Node{}
}

// Entries gives the named entries of a mapping, or of a list whose items have a name.
func Entries(n sensors.Node) []sensors.Field {
	if n.Kind != sensors.List {
		return n.Fields
	}
	var fs []sensors.Field
	for _, it := range n.Items {
		name := child(it, "name")
		fs = append(fs, sensors.Field{Key: name.Text, Line: name.Line, Col: name.Column, Value: it})
	}
	return fs
}

// Faults takes apart what errors.Join has joined and sorts the faults by their
// places; what has no place comes last. Equal ones are told once.
func Faults(err error) []error {
	var flat []error
	var walk func(error)
	walk = func(err error) {
		if j, ok := err.(interface{ Unwrap() []error }); ok {
			for _, e := range j.Unwrap() {
				walk(e)
			}
		} else if err != nil {
			flat = append(flat, err)
		}
	}
	walk(err)
	slices.SortStableFunc(flat, func(a, b error) int {
		fa, fb := place(a), place(b)
		return cmp.Or(cmp.Compare(fa.File, fb.File), cmp.Compare(fa.Line, fb.Line), cmp.Compare(fa.Column, fb.Column))
	})
	return slices.CompactFunc(flat, func(a, b error) bool { return a.Error() == b.Error() })
}

func place(err error) sensors.Fault {
	var f sensors.Fault
	if !errors.As(err, &f) {
		f.File = "\U0010ffff"
	}
	return f
}
