package daemon

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"standwatch/daemon/broker"
	"standwatch/daemon/web"
)

// Certificate is one that somebody supplied: who is shown it refuses it once it has run out,
// and the box says so before.
type Certificate struct {
	Name  string // what it is of
	Doubt func(now time.Time) error
}

// Certificates are those that the site file names: of the pages, and of brokers in the box.
func (s *Site) Certificates() (all []Certificate) {
	if s.Web.Certificate != "" && s.Web.Beyond() {
		all = append(all, Certificate{"certificate of the pages", func(now time.Time) error {
			fault, doubt := s.Web.CheckCertificate(now)
			return cmp.Or(fault, doubt)
		}})
	}
	for _, name := range slices.Sorted(maps.Keys(s.Brokers)) {
		if b := s.Brokers[name]; b.Cert != "" {
			c := BrokerCertificate(b)
			all = append(all, Certificate{"certificate of the broker " + name, func(now time.Time) error { return c.Doubt(now, nil) }})
		}
	}
	return all
}

// BrokerCertificate is the certificate of a broker within the box.
func BrokerCertificate(b broker.Config) *web.Supplied {
	return &web.Supplied{Certificate: b.Cert, Key: b.Key, Shown: "instruments that look at it"}
}

// certificatesEvery is how often they are looked at: their last days are told of for a week.
const certificatesEvery = time.Hour

// watchCertificates says on the page Box, and in the log, which of them are in doubt, until ctx ends.
func (d *Daemon) watchCertificates(ctx context.Context) {
	said := map[string]string{}
	t := time.NewTicker(certificatesEvery)
	defer t.Stop()
	for len(d.parts.Certificates) > 0 {
		for _, c := range d.parts.Certificates {
			why := ""
			if err := c.Doubt(time.Now()); err != nil {
				why = err.Error()
			}
			if why == said[c.Name] {
				continue
			}
			if said[c.Name] = why; why == "" {
				d.devices.set(c.Name, true, "In order again.")
				continue
			}
			d.parts.Log.Warn("a certificate", "name", c.Name, "why", why)
			d.devices.set(c.Name, false, fmt.Sprintf("Look at it: %s.", why))
		}
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
	}
}
