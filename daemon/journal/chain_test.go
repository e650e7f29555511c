package journal

import (
	"bytes"
	"crypto/sha256"
	"slices"
	"strings"
	"testing"

	"standwatch/rules"
)

func lines(t testing.TB, r *Reader, from, to uint64) (out []string) {
	t.Helper()
	for line, err := range r.Lines(t.Context(), from, to) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, string(line))
	}
	return out
}

// chained computes the chain as its description says, without a Chainer.
func chained(all []string) (links []Link) {
	behind := sha256.Sum256([]byte("standwatch chain 1\n"))
	for first := 0; first+4096 <= len(all); first += 4096 {
		b := bytes.Clone(behind[:])
		for _, line := range all[first : first+4096] {
			b = append(b, line...)
		}
		behind = sha256.Sum256(b)
		links = append(links, Link{uint64(first) + 1, uint64(first) + 4096, behind})
	}
	return links
}

// tailOf is the hash of the entries that fill no link, by the chain's description.
func tailOf(all []string) Hash {
	behind := Hash(sha256.Sum256([]byte("standwatch chain 1\n")))
	links := chained(all)
	if len(links) > 0 {
		behind = links[len(links)-1].Hash
	}
	b := bytes.Clone(behind[:])
	for _, line := range all[4096*len(links):] {
		b = append(b, line...)
	}
	return sha256.Sum256(b)
}

func kept(t testing.TB, j *Journal) Kept {
	t.Helper()
	k, err := j.Kept(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// The power goes between entries and their chaining: what came since counts as
// chained by nobody, and the chain carries on to the same hashes.
func TestAPowerCutBetweenEntryAndChain(t *testing.T) {
	dir := t.TempDir()
	j := open(t, dir)
	s := newSite(90)
	all := s.entries(2*LinkEntries + 700)
	chain := func() {
		t.Helper()
		if err := j.Chain(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.BeginChain(t.Context()); err != nil {
		t.Fatal(err)
	}
	at := 0
	for _, n := range []int{100, LinkEntries - 1, LinkEntries, LinkEntries + 1, 2 * LinkEntries, 2*LinkEntries + 300} {
		appendAll(t, j, s, all[at:n])
		chain()
		at = n
		if late, to := kept(t, j).Chained(j.seq); late != 0 || to != uint64(n) {
			t.Errorf("after %d: %d chained late, kept to %d", n, late, to)
		}
	}
	appendAll(t, j, s, all[at:])
	if err := j.Close(); err != nil { // no call of Chain before it
		t.Fatal(err)
	}
	j = open(t, dir)
	if late, to := kept(t, j).Chained(j.seq); late != 0 || to != 2*LinkEntries+300 {
		t.Errorf("after the cut: %d chained late, kept to %d", late, to)
	}
	if late, to := kept(t, j).Chained(5000); late != 0 || to != 5000 {
		t.Errorf("up to 5000: %d chained late, kept to %d", late, to)
	}
	chain()
	want := lines(t, &j.Reader, 1, 0)
	if k := kept(t, j); !slices.Equal(k.Links, chained(want)) || k.Tail.Hash != tailOf(want) || k.Tail.Last != j.seq {
		t.Errorf("carried on to %v", k)
	}
}

// An entry behind the last link is kept by the tail: once changed, it is chained no further.
func TestAChangedEntryBehindTheLastLinkIsTold(t *testing.T) {
	for _, more := range []int{10, LinkEntries} {
		j := open(t, t.TempDir())
		s := newSite(91)
		all := s.entries(LinkEntries + 500 + more)
		appendAll(t, j, s, all[:LinkEntries+500])
		if err := j.Chain(t.Context()); err != nil {
			t.Fatal(err)
		}
		appendAll(t, j, s, all[LinkEntries+500:])
		before := kept(t, j)
		n := count(t, j, `SELECT seq FROM events WHERE kind = 'told' AND seq > 4096 AND seq <= 4596 LIMIT 1`)
		if err := execute(j.conn, `UPDATE events SET body = replace(body, 'note', 'nota') WHERE seq = ?`, n); err != nil {
			t.Fatal(err)
		}
		if err := j.Chain(t.Context()); err == nil || !strings.Contains(err.Error(), "entries 4097 to 4596 are no longer those that were chained when they came") {
			t.Errorf("%d entries later: %v", more, err)
		}
		if after := kept(t, j); after.Tail != before.Tail || len(after.Links) != 1 {
			t.Errorf("%d entries later the chain was carried on over it: %v", more, after)
		}
	}
}

func TestAChainWithoutALinkIsNotHandedOn(t *testing.T) {
	j := open(t, t.TempDir())
	s := newSite(92)
	appendAll(t, j, s, s.entries(2*LinkEntries+10))
	if err := j.Chain(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := execute(j.conn, `DELETE FROM shelf WHERE kind = ? AND key = ?`, chainShelf, linkKey(LinkEntries)); err != nil {
		t.Fatal(err)
	}
	if k, err := j.Kept(t.Context()); err == nil || !strings.Contains(err.Error(), "the chain lacks the link before entry 4097") {
		t.Errorf("%v of %v", err, k)
	}
}

func TestTheChainFollowsFromTheEntriesAlone(t *testing.T) {
	for seed := range uint64(3) {
		s := newSite(70 + seed)
		all := s.entries(3*LinkEntries + 500)

		// Chained at the end, in one go, unsealed.
		whole := open(t, t.TempDir())
		appendAll(t, whole, s, slices.Clone(all))
		want := lines(t, &whole.Reader, 1, 0)
		if err := whole.Chain(t.Context()); err != nil {
			t.Fatal(err)
		}

		// Chained as it grows, sealed before and after, opened anew, with other ids for the points.
		dir := t.TempDir()
		grown := open(t, dir)
		for _, part := range [][]rules.Entry{all[:4000], all[4000:4097], all[4097:9000], all[9000:]} {
			appendAll(t, grown, s, part)
			for range 2 {
				if err := grown.Chain(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
			_, at, err := grown.End(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if err := grown.Seal(t.Context(), at); err != nil {
				t.Fatal(err)
			}
			if err := grown.Close(); err != nil {
				t.Fatal(err)
			}
			grown = open(t, dir)
		}
		if got := lines(t, &grown.Reader, 1, 0); !slices.Equal(got, want) {
			t.Fatal("lines differ once entries are sealed")
		}
		a, b := kept(t, whole), kept(t, grown)
		if links := chained(want); len(links) != 3 || !slices.Equal(a.Links, links) || !slices.Equal(b.Links, links) {
			t.Errorf("links\n%v\n%v\nwant\n%v", a, b, links)
		}
		end := Link{3*LinkEntries + 1, uint64(len(want)), tailOf(want)}
		if a.Tail != end || b.Tail != end {
			t.Errorf("tails\n%v\n%v\nwant\n%v", a.Tail, b.Tail, end)
		}
		if late, to := a.Chained(whole.seq); late != whole.seq || to != whole.seq {
			t.Errorf("%d entries chained late, kept to %d", late, to)
		}
		if late, to := b.Chained(grown.seq); late != 4000 || to != grown.seq { // what was there at the first call
			t.Errorf("%d entries chained late, kept to %d", late, to)
		}
	}
}

func TestLinesGiveTheEntriesBack(t *testing.T) {
	j := open(t, t.TempDir())
	s := newSite(80)
	all := s.entries(6000)
	appendAll(t, j, s, all)
	for i, line := range lines(t, &j.Reader, 1, 0) {
		l, err := ReadLine([]byte(line))
		if err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		if !equal(all[i], l.Entry) {
			t.Fatalf("%s\nis read as %+v %+v\nwant %+v %+v", line, l.Entry, l.Body, all[i], all[i].Body)
		}
	}
	if got := lines(t, &j.Reader, 5000, 5003); !slices.Equal(got, lines(t, &j.Reader, 1, 0)[4999:5003]) {
		t.Errorf("a stretch is %q", got)
	}
}

// A changed entry changes its link and, by it, every later one.
func TestAChangedEntryBreaksItsLink(t *testing.T) {
	j := open(t, t.TempDir())
	s := newSite(81)
	appendAll(t, j, s, s.entries(3*LinkEntries))
	before := chained(lines(t, &j.Reader, 1, 0))
	n := count(t, j, `SELECT seq FROM events WHERE kind = 'told' AND seq > 4096 AND seq <= 8192 LIMIT 1`)
	if err := execute(j.conn, `UPDATE events SET body = replace(body, 'note', 'nota') WHERE seq = ?`, n); err != nil {
		t.Fatal(err)
	}
	after := chained(lines(t, &j.Reader, 1, 0))
	if before[0] != after[0] || before[1] == after[1] || before[2] == after[2] {
		t.Errorf("links before %v and after %v", before, after)
	}
}

func TestALineIsReadInOneFormOnly(t *testing.T) {
	for _, good := range []string{
		`[1,1,0,"measured","gauge","vacuum",-12,5]`,
		`[1,1,0,"measured","gauge","vacuum",null,5,{"health":"failed","reason":"crc"}]`,
		`[1,1,0,"measured","ga\u003cuge","vacuum",1,5,{"seq":-1,"own":7}]`,
		`[1,1,0,"started",{"Gap":0,"GapKnown":false,"Version":"","Machine":""}]`,
	} {
		if _, err := ReadLine([]byte(good + "\n")); err != nil {
			t.Errorf("%s: %v", good, err)
		}
	}
	for _, bad := range []string{
		``, `[`, `]`, `[1]`, `[01,1,0,"measured","gauge","vacuum",1,5]`, `[1,1,0,"measured","gauge","vacuum",1,5] `,
		`[1,1,0,"measured","gauge","vacuum",+1,5]`, `[1,1,0,"measured","gauge","vacuum",null,5]`,
		`[1,1,0,"measured","gauge","vacuum",1,5,{}]`, `[1,1,0,"measured","gauge","vacuum",1,5,{"own":7,"seq":-1}]`,
		`[1,1,0,"measured","gauge","weight",1,5]`, `[1,1,0,"dreamt",{}]`, `[1,1,0,"told",{}`, `[1,1,0,"told",]`,
		`[1,99999999999,0,"told",{}]`,
	} {
		if _, err := ReadLine([]byte(bad + "\n")); err == nil {
			t.Errorf("%s is read", bad)
		}
	}
}

func FuzzReadLine(f *testing.F) {
	f.Add([]byte("[1,1,0,\"measured\",\"gauge\",\"vacuum\",-12,5,{\"health\":\"suspect\",\"reason\":\"odd\",\"seq\":3,\"own\":4}]\n"))
	f.Add([]byte("[1,1,0,\"told\",{\"Kind\":\"mark\"}]\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		l, err := ReadLine(b)
		if m, ok := l.Body.(*rules.Measured); err == nil && ok {
			if again := appendReading(nil, l.Entry, m, l.Quantity); !bytes.Equal(again, b) {
				t.Errorf("%q is read and written as %q", b, again)
			}
		}
	})
}
