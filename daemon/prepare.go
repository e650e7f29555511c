package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"standwatch/daemon/broker"
	"standwatch/daemon/clock"
	"standwatch/daemon/config"
	"standwatch/daemon/horn"
	"standwatch/daemon/journal"
	"standwatch/daemon/outbox"
	"standwatch/daemon/people"
	"standwatch/daemon/record"
	"standwatch/daemon/stick"
	"standwatch/daemon/uplink"
	"standwatch/daemon/web"
	"standwatch/rules"
	"standwatch/sensors"
	"standwatch/sensors/all"
	"standwatch/sensors/mqtt"
)

// Site is a site file read by everybody who owns a part of it.
type Site struct {
	*config.Site
	Uplinks []uplink.Config
	Outbox  outbox.Config
	Web     web.Config
	Brokers map[string]broker.Config // those within the box, by name

	Heartbeat *Heartbeat // nil: none
	Outputs   []horn.Config
}

// Shut lists the brokers in the box that hear points and let nobody in who could publish them.
func (s *Site) Shut() (names []string) {
	for _, d := range s.Devices {
		if c, within := s.Brokers[d.Config.Name]; within && d.Driver.Device == "broker" && len(c.Users) == 0 {
			names = append(names, d.Config.Name)
		}
	}
	return names
}

// Unpacked lists the points by whose names the pack of newest readings, which
// the box's brokers are told, is none by its standard.
func (s *Site) Unpacked() (names []string) {
	told := slices.ContainsFunc(config.Entries(s.Site.Brokers), func(b sensors.Field) bool {
		return !slices.ContainsFunc(b.Value.Fields, func(f sensors.Field) bool { return f.Key == "outward" && f.Value.Text == "false" })
	})
	for _, p := range s.Points {
		if told && !mqtt.SenMLName("x/"+p.Name) { // standwatch/BOX/ stands before it
			names = append(names, p.Name)
		}
	}
	return names
}

// Load reads a site file and has each part checked by its owner. It touches
// nothing else. All faults come at once, in the order of their places.
func Load(file string) (*Site, []error) {
	read, faults := config.Load(file, all.Drivers())
	if read == nil {
		return nil, faults
	}
	s := &Site{Site: read, Brokers: map[string]broker.Config{}}
	for _, b := range config.Entries(read.Brokers) {
		for _, f := range b.Value.Fields {
			if f.Key == "embedded" {
				s.Brokers[b.Key] = broker.Read(f.Value, &faults)
			}
		}
		if !slices.ContainsFunc(read.Devices, func(d config.Device) bool { return d.Driver.Device == "broker" && d.Config.Name == b.Key }) {
			faults = append(faults, mqtt.CheckBroker(b.Value)) // no point's source looks at it
		}
	}
	s.Uplinks = uplink.Read(read.Uplink, &faults)
	s.Outbox = outbox.Read(read.Outbox, &faults)
	s.Web = web.Read(read.Web, &faults)
	s.Heartbeat, s.Outputs = readHeartbeat(read.Heartbeat, &faults), horn.Read(read.Outputs, &faults)
	for _, d := range read.Devices {
		if _, err := d.Driver.New(sensors.Env{Log: slog.New(slog.DiscardHandler)}, d.Config); err != nil {
			faults = append(faults, err)
		}
		for _, o := range s.Outputs {
			if d.Driver.Name == "contact" && d.Config.Name == o.Line { // one end would drive what the other reads
				faults = append(faults, d.Config.Points[0].Settings.Fault(
					fmt.Sprintf("the line %s is the box's output %s already", o.Line, o.Name), "give the contact a line of its own"))
			}
		}
	}
	return s, config.Faults(errors.Join(faults...))
}

// Box is a daemon with what stands around it: its journal, its brokers, its
// outbox.
type Box struct {
	*Daemon
	Journal *journal.Journal
	Links   *outbox.Links
	People  *people.Store
	Outbox  *outbox.Outbox
	Push    *outbox.Push
	Post    *outbox.Post // brings papers by mail; nil: the site file has no mail server
	Stick   *stick.Stick // nil: the site file names no place for one
	Brokers map[string]*broker.Broker
	Dir     string // the data folder
}

// Setup is how a box differs from what its site file says.
type Setup struct {
	Data    string // the journal's folder; empty: the site file's
	Version string
	Demo    *clock.Own // the readings' own times are the clock; nil: the machine's
	Log     *slog.Logger

	Supervisor Supervisor // who restarts the program where it hangs
}

// Open makes a box of a site: it opens the journal and starts the brokers
// within. Close what it returns after Run.
func Open(ctx context.Context, s *Site, set Setup) (_ *Box, err error) {
	dir := set.Data
	if dir == "" {
		dir = s.Box.Data
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("the folder for the journal: %w; name one that may be written to, by box.data in the site file or by --data", err)
	}
	b := &Box{Dir: dir, Brokers: map[string]*broker.Broker{}}
	defer func() {
		if err != nil {
			err = errors.Join(err, b.Close())
		}
	}()
	if b.Journal, err = journal.Open(ctx, dir, set.Log); err != nil {
		return nil, err
	}
	files, _ := filepath.Glob(filepath.Join(dir, "journal.db*")) // the pattern is well formed
	for _, file := range files {                                 // people's password hashes stand in it
		if err = os.Chmod(file, 0o640); err != nil {
			return nil, fmt.Errorf("keep the journal to the box: %w", err)
		}
	}
	if b.Links, err = outbox.OpenLinks(dir, s.Web.Abroad); err != nil {
		return nil, err
	}
	kept, err := b.Journal.Last(ctx)
	if err != nil {
		return nil, err
	}
	_, noKey := os.Stat(filepath.Join(dir, record.KeyFile))
	key, err := record.OpenKey(dir) // from the first start on, so that it is there when the box is claimed
	if err != nil {                 // a night is watched all the same
		set.Log.Error("no bundle can be signed until this is mended and the box is started again", "error", err)
	}
	if b.People, err = openPeople(ctx, b, s.Box.Clock == "trusted"); err != nil {
		return nil, err
	}
	if b.Push, err = openPush(ctx, b, s, set.Log); err != nil {
		return nil, err
	}
	for name, c := range s.Brokers {
		if b.Brokers[name], err = broker.Start(c, set.Log.With("broker", name)); err != nil {
			return nil, err
		}
	}
	parts := Parts{
		Site: s.Site.Site, Zone: s.Zone, BoxName: s.Box.Name, Version: set.Version, Commit: s.Box.Commit, Data: dir, Key: key, Emptied: kept == 0 && noKey == nil,
		Certificates: s.Certificates(), Rules: rules.All(), Journal: b.Journal, Log: set.Log, Supervisor: set.Supervisor,
	}
	if err := setClock(&parts, set, s.Box.Clock); err != nil {
		return nil, err
	}
	parts.Followers = followers(s, b, set.Log)
	if s.Outbox.Reaches() || b.Push != nil {
		parts.Guard = b.Outbox.Guard
	}
	b.Daemon = New(parts)
	for _, c := range s.Outbox.Alertmanagers {
		b.addAlertmanager(s, c, set.Log)
	}
	b.addOwn(s, set.Log)
	b.Daemon.parts.Sources, err = b.sources(s, set)
	return b, err
}

// AccessKey is the secret by which a box makes the codes that let somebody in.
func AccessKey(l *outbox.Links) []byte { return l.Derive("people") }

// openPeople opens who may get in. Sessions go by the machine's clock, in the
// demo too: who looks at an invented night does so tonight.
func openPeople(ctx context.Context, b *Box, trusted bool) (*people.Store, error) {
	c, err := clock.Running()
	if err != nil {
		return nil, err
	}
	return people.Open(ctx, b.Journal, AccessKey(b.Links), func() (time.Duration, int64, bool) {
		since := c.Since()
		a := c.Anchor(since)
		return since, a.Wall, a.Proven || trusted
	})
}

// TellAccess writes down who had access.
func (b *Box) TellAccess(ctx context.Context, by, note string) error {
	return b.Tell(ctx, rules.Told{Kind: "mark", Name: "access", By: by, Note: note})
}

func setClock(p *Parts, set Setup, kind string) error {
	if set.Demo != nil {
		p.Clock, p.OwnTimes, p.Demo = set.Demo, true, true
		return nil
	}
	c, err := clock.Running()
	if err != nil {
		return err
	}
	p.Clock, p.Machine = c, c.Machine()
	if kind == "trusted" {
		p.Clock = trusted{c}
	}
	return nil
}

// trusted is a machine's clock that the site file vouches for.
type trusted struct{ *clock.Clock }

// Anchor is the wall clock, proven by the site file's word.
func (t trusted) Anchor(at time.Duration) *rules.Clocked {
	c := t.Clock.Anchor(at)
	c.Proven = true
	return c
}

func followers(s *Site, b *Box, log *slog.Logger) []journal.Follower {
	var fs []journal.Follower
	for _, c := range s.Uplinks {
		fs = append(fs, uplink.New(uplink.Parts{Config: c, Box: s.Box.Name, Site: s.Site.Site, Journal: b.Journal, Log: log.With("store", c.Name)}))
	}
	b.Outbox = outbox.New(outbox.Parts{
		Config: s.Outbox, Box: s.Box.Name, ID: b.Links.Box(), Site: s.Name, Zone: s.Zone,
		Links: b.Links, Push: b.Push, Journal: b.Journal, Log: log,
		Now: func() clock.Moment { return b.moment() }, Device: hangsOn(s), Stands: func(system, step string) string { return b.stands(system, step) },
	})
	fs = append(fs, b.Outbox.Followers()...)
	if len(s.Outbox.Mails) > 0 { // papers go by the first mail server
		b.Post = outbox.NewPost(outbox.PostParts{Mail: s.Outbox.Mails[0], Box: s.Box.Name, ID: b.Links.Box(), Dir: filepath.Join(b.Dir, "papers"),
			Journal: b.Journal, Log: log, Done: func(ctx context.Context, p outbox.Parcel) error { return b.posted(ctx, p) }})
		fs = append(fs, b.Post)
	}
	if s.Box.Stick != "" {
		b.Stick = &stick.Stick{Dir: s.Box.Stick}
	}
	return fs
}

// hangsOn says which broker or bus a point hangs on; empty: none that it shares.
func hangsOn(s *Site) func(point string) string {
	on := map[string]string{}
	for _, d := range s.Devices {
		for _, p := range d.Config.Points {
			if len(d.Config.Points) > 1 && d.Driver.Device != "" {
				on[p.Name] = strings.TrimSpace(d.Driver.Device + " " + d.Config.Name)
			}
		}
	}
	return func(point string) string { return on[point] }
}

// addOwn adds what the box has of its own to be noticed by: its heartbeat, and
// what hangs at it by a wire.
func (b *Box) addOwn(s *Site, log *slog.Logger) {
	if s.Heartbeat != nil {
		b.parts.Followers = append(b.parts.Followers, newHeartbeat(*s.Heartbeat, b.loop.quiet))
	}
	for _, c := range s.Outputs {
		b.parts.Followers = append(b.parts.Followers, horn.New(horn.Parts{
			Config: c, Open: func(line string) (horn.Pin, error) { return findLine(line) }, Watch: b.Watch, Log: log,
			Flags: func() (open []rules.Flag) {
				for _, s := range b.standing() {
					open = append(open, s.Flag)
				}
				return open
			},
		}))
	}
}

// addAlertmanager lets the box tell an Alertmanager which flags are open.
func (b *Box) addAlertmanager(s *Site, c outbox.AlertServer, log *slog.Logger) {
	b.parts.Followers = append(b.parts.Followers, b.caughtUp(outbox.NewAlerts(outbox.AlertParts{
		Config: c, Box: s.Box.Name, Site: s.Name, Watch: b.Watch, Shelf: b.Journal.Shelf("alerts"), Log: log,
		Open: b.standing,
	})))
}

// stands is a follower that tells how the box stands, and waits until it knows: else each
// start would take back every step and flag that is under way, and tell them again.
type stands struct {
	journal.Follower
	behind func() bool
}

func (b *Box) caughtUp(f journal.Follower) journal.Follower {
	return stands{f, func() bool { return !b.judging.caught.Load() }}
}

// Run waits, and runs the follower.
func (s stands) Run(ctx context.Context) error {
	for s.behind() {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(100 * time.Millisecond):
		}
	}
	return s.Follower.Run(ctx)
}

// standing are the flags that are open, and the one that no judge can raise: that nothing
// is kept.
func (b *Box) standing() (open []outbox.Standing) {
	now := b.Now()
	for _, f := range now.Flags {
		open = append(open, outbox.Standing{Flag: f.Flag, Raised: f.Raised, Age: max(0, now.Wall.Sub(f.Raised))})
	}
	if quiet, why := b.loop.unkept(); quiet >= outbox.UnkeptFor && !b.parts.OwnTimes {
		since := now.Wall.Add(-quiet)
		open = append(open, outbox.Standing{Flag: rules.Flag{Finding: outbox.Unkept(since, why)}, Raised: since, Age: quiet})
		open[len(open)-1].Seq = b.judging.head.Load() // a horn sounds anew for it: no flag so far, open or over, is newer
	}
	return open
}

// sources makes every device's source. A broker within the box is by now a
// broker like any other, with an address and a password for the box.
func (b *Box) sources(s *Site, set Setup) ([]Source, error) {
	var list []Source
	for _, d := range s.Devices {
		c := d.Config
		if own := b.Brokers[c.Name]; own != nil && d.Driver.Device == "broker" {
			c.Device = reached(c.Device, own)
		}
		env := wired(sensors.Env{Log: set.Log.With("device", c.Name), Status: b.Status, Count: b.Count, Pace: b.judging.view.pace.of})
		src, err := d.Driver.New(env, c)
		if err != nil {
			return nil, err
		}
		if d.Driver.Name == "mqtt" {
			if err := b.addOutward(env, c, s.Web); err != nil {
				return nil, err
			}
		}
		name := c.Name
		if d.Driver.Device == "broker" { // what is wired tells of each device by itself
			b.Status(name, false, "Not reached yet.")
		} else {
			name = strings.TrimSpace(d.Driver.Name + " " + name)
		}
		list = append(list, Source{Name: name, Source: src})
	}
	for _, e := range config.Entries(s.Site.Brokers) {
		if !config.OutwardOnly(e.Value) {
			continue
		}
		c := sensors.Config{Name: e.Key, Device: e.Value, Box: s.Box.Name}
		if own := b.Brokers[c.Name]; own != nil {
			c.Device = reached(c.Device, own)
		}
		if err := b.addOutward(sensors.Env{Log: set.Log.With("device", c.Name)}, c, s.Web); err != nil {
			return nil, err
		}
	}
	return list, nil
}

// addOutward lets the box tell a broker how it stands, unless its entry says not to.
func (b *Box) addOutward(env sensors.Env, c sensors.Config, pages web.Config) error {
	root := "standwatch/" + c.Box
	link, wanted, err := mqtt.NewPublisher(env, c, root+"/state")
	if err == nil && wanted {
		o := &outward{link: link, root: root, version: b.parts.Version, url: pages.PublicURL, now: b.Now, watch: b.Watch}
		if b.Brokers[c.Name] != nil {
			o.quiet = b.loop.quiet
		}
		b.parts.Followers = append(b.parts.Followers, b.caughtUp(o))
	}
	return err
}

// reached replaces a broker's `embedded` by where it listens and how the box gets in.
func reached(n sensors.Node, b *broker.Broker) sensors.Node {
	user, password := b.Credential()
	m := sensors.Node{File: n.File, Line: n.Line, Column: n.Column, Kind: sensors.Mapping}
	for _, f := range n.Fields {
		if f.Key != "embedded" {
			m.Fields = append(m.Fields, f)
		}
	}
	for _, kv := range [][2]string{{"url", "tcp://" + b.OwnAddress()}, {"user", user}, {"password", password}} {
		m.Fields = append(m.Fields, sensors.Field{Key: kv[0], Value: sensors.Node{Kind: sensors.Scalar, Text: kv[1]}})
	}
	return m
}

// Close closes the brokers and the journal.
func (b *Box) Close() error {
	var errs []error
	for _, x := range b.Brokers {
		if x != nil {
			errs = append(errs, x.Close())
		}
	}
	if b.Journal != nil {
		errs = append(errs, b.Journal.Close())
	}
	return errors.Join(errs...)
}
