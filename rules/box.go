package rules

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// What the box says of itself stands in the journal as marks called box, so
// that a replay finds the same: `store away NAME` with for how long, `store
// back NAME`, `broker away NAME` and `broker back NAME`, `disk` with the free
// part of the disk, and `chain broken FIRST LAST`, `chain unread FIRST LAST` and
// `chain whole`.

// StoreUnreachable tells that readings no longer reach a store.
var StoreUnreachable = Rule{
	Name:  "store-unreachable",
	Doc:   "Tells when the box says that a store of readings has been away for a while.",
	Flags: []string{"store-unreachable"},
	Roles: []string{},
	Box:   true,
	Begin: func(Start) Judge { return storeUnreachable{} },
}

// DiskFilling tells that the journal's disk runs full.
var DiskFilling = Rule{
	Name:  "disk-filling",
	Doc:   "Notes when less than a tenth of the journal's disk is free, and tells when less than a twentieth is.",
	Flags: []string{"disk-filling"},
	Roles: []string{},
	Box:   true,
	Begin: func(Start) Judge { return diskFilling{} },
}

// JournalChanged tells that entries are not those that were chained when they
// came, or that the disk gives them no more.
var JournalChanged = Rule{
	Name:  "journal-changed",
	Doc:   "Tells when the box says that entries of its journal are no longer those that it chained when they came, or that its disk does not give them back.",
	Flags: []string{"journal-changed"},
	Roles: []string{},
	Box:   true,
	Begin: func(Start) Judge { return journalChanged{} },
}

// BoxMark is the name of the marks by which the box tells of itself.
const BoxMark = "box"

// Parts of the journal's disk that are free (our choice): under DiskLow it is
// noted, under DiskLeast told, and from DiskEnough on it is well again.
const (
	DiskLow    = 0.10
	DiskLeast  = 0.05
	DiskEnough = 0.12
)

// StoreAwayFor is how long a store may be away before the box says so: a
// network comes and goes, and nothing is lost meanwhile (our choice).
const StoreAwayFor = 10 * time.Minute

// BrokerAway is the mark that a broker, by which instruments are heard, is not reached.
func BrokerAway(name string) Told {
	return Told{Kind: "mark", Name: BoxMark, Note: "broker away " + name}
}

// BrokerBack is the mark that it is reached again.
func BrokerBack(name string) Told {
	return Told{Kind: "mark", Name: BoxMark, Note: "broker back " + name}
}

// StoreAway is the mark that a store has been away for a while.
func StoreAway(name string, quiet time.Duration) Told {
	return Told{Kind: "mark", Name: BoxMark, Note: "store away " + name, Value: seconds(quiet), Unit: "s"}
}

// StoreBack is the mark that it is back.
func StoreBack(name string) Told {
	return Told{Kind: "mark", Name: BoxMark, Note: "store back " + name}
}

// DiskFree is the mark that says which part of the disk is free.
func DiskFree(part float64) Told {
	return Told{Kind: "mark", Name: BoxMark, Note: "disk", Value: Num(part), Unit: "1"}
}

// ChainBroken is the mark that entries are not what they were.
func ChainBroken(first, last uint64) Told {
	return Told{Kind: "mark", Name: BoxMark, Note: fmt.Sprintf("chain broken %d %d", first, last)}
}

// ChainUnread is the mark that the disk does not give entries back.
func ChainUnread(first, last uint64) Told {
	return Told{Kind: "mark", Name: BoxMark, Note: fmt.Sprintf("chain unread %d %d", first, last)}
}

// ChainWhole is the mark that all of them were found to be what they were.
func ChainWhole() Told { return Told{Kind: "mark", Name: BoxMark, Note: "chain whole"} }

// boxSays are the words of a mark of the box; nil: it is another one.
func boxSays(e Entry) (*Told, []string) {
	b, ok := e.Body.(*Told)
	if !ok || b.Kind != "mark" || b.Name != BoxMark {
		return nil, nil
	}
	return b, strings.Fields(b.Note)
}

// The engine lets no flag be raised twice or cleared unraised, so these need
// no memory of their own.
type storeUnreachable struct{}

func (storeUnreachable) Next(e Entry) []Finding {
	b, says := boxSays(e)
	if len(says) != 3 || says[0] != "store" {
		return nil
	}
	f := Finding{Flag: "store-unreachable", Subject: says[2]}
	switch says[1] {
	case "away":
		quiet := time.Duration(b.Value * float64(time.Second))
		f.Edge, f.Urgency, f.Text, f.Values = Raised, Tell, storeAway(says[2], quiet), []Value{{"away_s", b.Value}}
	case "back":
		f.Edge, f.Text = Cleared, storeBack(says[2])
	default:
		return nil
	}
	return []Finding{f}
}

func (storeUnreachable) Due() (time.Duration, bool) { return 0, false }

type diskFilling struct{}

func (diskFilling) Next(e Entry) []Finding {
	b, says := boxSays(e)
	if !slices.Equal(says, []string{"disk"}) {
		return nil
	}
	f := Finding{Flag: "disk-filling", Edge: Raised, Urgency: Note, Text: diskLow(b.Value), Values: []Value{{"free_ratio", b.Value}}}
	switch {
	case b.Value >= DiskEnough:
		f.Edge, f.Text = Cleared, diskEnough(b.Value)
	case b.Value >= DiskLow:
		return nil
	case b.Value < DiskLeast:
		f.Urgency = Tell
	}
	return []Finding{f}
}

func (diskFilling) Due() (time.Duration, bool) { return 0, false }

type journalChanged struct{}

func (journalChanged) Next(e Entry) []Finding {
	_, says := boxSays(e)
	switch {
	case len(says) == 4 && says[0] == "chain" && says[1] == "broken":
		return []Finding{{Flag: "journal-changed", Edge: Raised, Urgency: Tell, Text: chainBroken(says[2], says[3])}}
	case len(says) == 4 && says[0] == "chain" && says[1] == "unread":
		return []Finding{{Flag: "journal-changed", Edge: Raised, Urgency: Tell, Text: chainUnread(says[2], says[3])}}
	case slices.Equal(says, []string{"chain", "whole"}):
		return []Finding{{Flag: "journal-changed", Edge: Cleared, Text: chainWhole}}
	}
	return nil
}

func (journalChanged) Due() (time.Duration, bool) { return 0, false }
