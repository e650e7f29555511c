package record

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// siteShelf is where the journal keeps what the site file said: under the
// sequence number of the entry from which it holds.
const siteShelf = "site"

// kept is a site as the journal keeps it. What a JSON of rules.Site alone would
// lose stands beside it by name: the zone, and each point's quantity, whose
// number another version may count differently.
type kept struct {
	Site       rules.Site
	Zone       string
	Quantities []string // of Site.Points
}

// KeepSite writes down what the site file says, from the next entry on. It
// writes nothing where that is what the journal says already. The drivers'
// settings stay out: they hold passwords, and the record does not need them.
func KeepSite(ctx context.Context, j *journal.Journal, site rules.Site) error {
	k := kept{Site: site, Zone: time.UTC.String()}
	if site.Zone != nil {
		k.Zone = site.Zone.String()
	}
	k.Site.Zone = nil
	k.Site.Points = slices.Clone(site.Points)
	for i := range k.Site.Points {
		p := &k.Site.Points[i]
		k.Quantities = append(k.Quantities, p.Quantity.String())
		p.Settings, p.Quantity = sensors.Node{}, 0
	}
	now, err := json.Marshal(k)
	if err != nil {
		return fmt.Errorf("the site cannot be written down: %w", err)
	}
	var newest json.RawMessage
	err = j.EachShelved(ctx, siteShelf, func(_ string, body []byte) error {
		newest = body
		return nil
	})
	if err != nil || string(newest) == string(now) {
		return err
	}
	last, err := j.Last(ctx)
	if err != nil {
		return err
	}
	return j.Shelf(siteShelf).Put(fmt.Sprintf("%020d", last+1), json.RawMessage(now))
}

// Site is what the site file said when the entry of a sequence number was
// written; 0: the newest. known is false where the journal does not hold it, as
// one of an older version: then it is what the marks and the points tell.
func Site(ctx context.Context, r *journal.Reader, seq uint64) (site rules.Site, known bool, err error) {
	var found []byte
	err = r.EachShelved(ctx, siteShelf, func(key string, body []byte) error {
		from, err := strconv.ParseUint(key, 10, 64)
		if err != nil {
			return fmt.Errorf("%q is no sequence number", key)
		}
		if found == nil || seq == 0 || from <= seq { // a journal begun before it kept the site: its first serves
			found = body
		}
		return nil
	})
	if err != nil {
		return site, false, err
	}
	if found == nil {
		site, err = guessed(ctx, r)
		return site, false, err
	}
	var k kept
	if err := json.Unmarshal(found, &k); err != nil {
		return site, false, fmt.Errorf("the site in the journal cannot be read: %w", err)
	}
	site = k.Site
	if site.Zone, err = time.LoadLocation(k.Zone); err != nil {
		return site, false, fmt.Errorf("the site in the journal lies in the time zone %q, which this machine does not know: %w", k.Zone, err)
	}
	for i := range site.Points {
		var ok bool
		if i < len(k.Quantities) {
			site.Points[i].Quantity, ok = sensors.QuantityOf(k.Quantities[i])
		}
		if !ok {
			return site, false, fmt.Errorf("the site in the journal does not say what point %q measures", site.Points[i].Name)
		}
	}
	return site, true, nil
}

// guessed is the site as far as the entries themselves tell it.
func guessed(ctx context.Context, r *journal.Reader) (site rules.Site, err error) {
	site.Zone = time.UTC
	quantities, err := r.Quantities(ctx)
	if err != nil {
		return site, err
	}
	for _, name := range slices.Sorted(maps.Keys(quantities)) {
		site.Points = append(site.Points, sensors.Point{Name: name, Quantity: quantities[name]})
	}
	marks, err := r.Told(ctx, 0)
	if err != nil {
		return site, err
	}
	var names []string
	for _, e := range marks {
		if b := e.Body.(*rules.Told); b.System != "" && !slices.Contains(names, b.System) {
			names = append(names, b.System)
		}
	}
	if len(names) == 0 {
		names = []string{""}
	}
	slices.Sort(names)
	for _, n := range names {
		site.Systems = append(site.Systems, rules.System{Name: n})
	}
	return site, nil
}
