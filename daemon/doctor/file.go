package doctor

import (
	"cmp"
	"fmt"
	"strings"

	"standwatch/sensors"
)

// File is a site file to start from, with a point for each thing found. It passes check; what a
// person must say first stands in it as a comment.
func File(buses []Bus) string {
	var b strings.Builder
	b.WriteString(`# What standwatch doctor found on this machine: a site file to start from.
#
# Give each point its own name, its role (role: suction-line) and its system, and delete what is not used.
# standwatch check FILE says what is wrong and what would be right.
site: {name: New site}
# box: {name: box, data: /var/lib/standwatch}   # where a box made of the package keeps its journal

# The refrigerant network, by its nameplate and its drawings:
# system:
#   refrigerant:
#   outdoor_units: [{name: ou1, factory_charge: }]
#   indoor_units: [{name: iu01, room: }]

`)
	const head = "points:\n"
	b.WriteString(head)
	ready := 0
	for _, bus := range buses {
		for _, f := range bus.Found {
			if len(f.Start) == 0 {
				continue
			}
			about := strings.TrimSpace(strings.Join([]string{bus.Kind, bus.Name, f.Where, f.Chip}, " "))
			if f.Shows != "" {
				about += ", shows " + f.Shows
			}
			fmt.Fprintf(&b, "  # %s\n", about)
			for _, s := range f.Start {
				if s.Lacks != "" {
					fmt.Fprintf(&b, "  # %s   # lacks %s\n", s.Line, s.Lacks)
					continue
				}
				ready++
				fmt.Fprintf(&b, "  %s\n", s.Line)
			}
		}
	}
	if ready == 0 { // a list of nothing but comments is no list
		before, found, _ := strings.Cut(b.String(), head)
		return before + "# Nothing here is ready to be read yet. A point looks like this, one a line:\n# points:\n#   - {name: suction-line-ou1, measures: temperature, role: suction-line, onewire: {id: 28-...}}\n" + found
	}
	return b.String()
}

// Uses tells whether a point of the site file is on that instrument.
func (f Found) Uses(bus Bus, p sensors.Point) bool {
	if p.Source != bus.Kind {
		return false
	}
	set := map[string]string{}
	for _, s := range p.Settings.Fields {
		set[s.Key] = s.Value.Text
	}
	switch bus.Kind {
	case "i2c":
		return sameBus(set["bus"], bus) && (set["chip"] == f.Chip) && (set["address"] == "" || sameNumber(set["address"], f.Where))
	case "spi":
		return set["port"] == f.Where || "SPI"+strings.TrimPrefix(set["port"], "/dev/spidev") == f.Where
	case "onewire":
		return strings.EqualFold(set["id"], f.Where) || strings.EqualFold(romOf(set["id"]), f.Where)
	case "loadcell":
		return cmp.Or(set["device"], "hx711") == f.Chip
	case "serial":
		return set["port"] == f.Where
	case "contact":
		return set["gpio"] == f.Where
	}
	return false
}

func sameBus(name string, b Bus) bool {
	return name == "" || name == b.Label || strings.TrimPrefix(strings.TrimPrefix(name, "/dev/i2c-"), "I2C") == b.Name
}

func sameNumber(a, b string) bool {
	var x, y int
	_, err1 := fmt.Sscan(a, &x)
	_, err2 := fmt.Sscan(b, &y)
	return err1 == nil && err2 == nil && x == y
}

// romOf makes the kernel's name of a ROM code as printed on the reel, check sum first.
func romOf(id string) string {
	hex := strings.TrimPrefix(strings.ToLower(id), "0x")
	if len(hex) != 16 {
		return ""
	}
	return hex[14:] + "-" + hex[2:14]
}
