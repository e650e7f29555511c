package record

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"standwatch/rules"
)

// zipped packs parts as any program does, by their names in any order, twice,
// or under names that no standwatch writes.
func zipped(t *testing.T, method uint16, comment string, names []string, body func(name string) []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for _, name := range names {
		w, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: method})
		if err == nil {
			_, err = w.Write(body(name))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := z.SetComment(comment); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// Whatever is done to the parts of a zip by who has no key is told, and each
// part that was touched by its name: taken out, there twice, called otherwise,
// in another order, with something before, behind or beside.
func TestWhateverIsDoneToPartsIsTold(t *testing.T) {
	b := bundleOf(t, quayside(t, 60))
	names, parts := contents(t, b)
	tricks := map[string]func(string) string{
		"capitals":     strings.ToUpper,
		"a folder":     func(s string) string { return "x/" + s },
		"here":         func(s string) string { return "./" + s },
		"above":        func(s string) string { return "../" + s },
		"from above":   func(s string) string { return "/" + s },
		"around":       func(s string) string { return "photos/../" + s },
		"backslash":    func(s string) string { return `photos\..\` + s },
		"a byte more":  func(s string) string { return s + "\x00" },
		"a space more": func(s string) string { return s + " " },
	}
	kinds := []string{"removed", "doubled", "doubled with other bytes", "added", "reordered", "comment", "behind", "before"}
	for name := range tricks {
		kinds = append(kinds, name)
	}
	slices.Sort(kinds)
	r := rand.New(rand.NewPCG(11, 11))
	for _, kind := range kinds {
		for _, victim := range names {
			method := []uint16{zip.Store, zip.Deflate}[r.IntN(2)]
			these, comment := slices.Clone(names), ""
			i := slices.Index(these, victim)
			blamed := []string{victim} // each must be named by a fault
			other := map[string][]byte{}
			var before, behind []byte
			switch kind {
			case "removed":
				these = slices.Delete(these, i, i+1)
			case "doubled", "doubled with other bytes":
				blamed = []string{fmt.Sprintf("%q", victim)}
				these = slices.Insert(these, r.IntN(len(these)+1), victim)
			case "added":
				these = slices.Insert(these, i, "added-"+strings.ReplaceAll(victim, "/", "-"))
				blamed = []string{fmt.Sprintf("%q", these[i])}
			case "reordered":
				r.Shuffle(len(these), func(i, k int) { these[i], these[k] = these[k], these[i] })
				if slices.Equal(these, names) {
					continue
				}
				blamed = []string{""}
			case "comment":
				comment, blamed = "sealed by "+victim, []string{""}
			case "behind":
				behind, blamed = []byte(victim), []string{""}
			case "before":
				before, blamed = []byte(victim), []string{""}
			default:
				these[i] = tricks[kind](victim)
				blamed = append(blamed, fmt.Sprintf("%q", these[i]))
			}
			seen := map[string]int{}
			z := zipped(t, method, comment, these, func(name string) []byte {
				seen[name]++
				if kind == "doubled with other bytes" && name == victim && seen[name] == 1+r.IntN(2) {
					return []byte("other bytes")
				}
				if body, ok := parts[name]; ok {
					return body
				}
				if body, ok := other[name]; ok {
					return body
				}
				return parts[victim]
			})
			v := verified(t, slices.Concat(before, z, behind))
			if len(v.Faults) == 0 {
				t.Errorf("%s %s: intact", victim, kind)
			}
			if victim == partManifest || victim == partSigned || kind == "before" && len(v.Faults) > 0 { // then nothing else is known
				continue
			}
			for _, part := range blamed {
				if !slices.ContainsFunc(v.Faults, func(f Fault) bool { return f.Part == part }) {
					t.Errorf("%s %s: %q is not blamed: %+v", victim, kind, part, v.Faults)
				}
			}
		}
	}
}

// resigned is a bundle of other parts, signed as if they were its own.
func resigned(t *testing.T, b []byte, key Key, change func(names []string, parts map[string][]byte, m *Manifest) []string, lies ...func(m *Manifest)) []byte {
	t.Helper()
	names, parts := contents(t, b)
	var m Manifest
	if err := json.Unmarshal(parts[partManifest], &m); err != nil {
		t.Fatal(err)
	}
	m.Key = fmt.Sprintf("%x", key.public())
	names = change(names[:len(names)-2], parts, &m)
	var out seekBuffer
	z := &zipWriter{out: &out}
	m.Parts = nil
	for _, name := range names {
		if err := z.add(name, deflated, partOf(name, parts[name]).Write); err != nil {
			t.Fatal(err)
		}
	}
	for _, p := range z.parts {
		m.Parts = append(m.Parts, p.partSum)
	}
	for _, lie := range lies {
		lie(&m)
	}
	if err := writeManifest(z, m, key); err != nil {
		t.Fatal(err)
	}
	return out.b
}

// Who has a key can sign any manifest: what no standwatch writes is read no further.
func TestASignedManifestThatNoProgramWritesIsTold(t *testing.T) {
	b := bundleOf(t, quayside(t, 60))
	for name, c := range map[string]struct {
		lie  func(m *Manifest)
		want string
	}{
		"of a later program":     {func(m *Manifest) { m.Format = "standwatch bundle 99" }, "A newer standwatch may read it"},
		"of something else":      {func(m *Manifest) { m.Format = "archive" }, `calls itself "archive"`},
		"a way out":              {func(m *Manifest) { m.Parts[1].Name = "../journal.db" }, `Part 2 of the manifest, "../journal.db", is none`},
		"a size below nought":    {func(m *Manifest) { m.Parts[1].Size = -1 }, "Part 2 of the manifest"},
		"a size beyond a zip's":  {func(m *Manifest) { m.Parts[1].Size = mostPart + 1 }, "Part 2 of the manifest"},
		"packed below nought":    {func(m *Manifest) { m.Parts[1].Packed = -1 }, "Part 2 of the manifest"},
		"packed beyond the file": {func(m *Manifest) { m.Parts[1].Packed = 1 << 40 }, "Part 2 of the manifest"},
		"itself":                 {func(m *Manifest) { m.Parts[1].Name = partManifest }, "Part 2 of the manifest"},
		"its signature":          {func(m *Manifest) { m.Parts[1].Name = partSigned }, "Part 2 of the manifest"},
		"a part twice":           {func(m *Manifest) { m.Parts[1].Name = m.Parts[0].Name }, "Part 2 of the manifest"},
		"too many parts": {func(m *Manifest) {
			for i := len(m.Parts); i <= mostParts; i++ {
				m.Parts = append(m.Parts, partSum{Name: fmt.Sprintf("%s%064x.jpg", photoFolder, i)})
			}
		}, fmt.Sprintf("Part %d of the manifest", mostParts+1)},
		"more than it may hold": {func(m *Manifest) {
			for i := range 64 {
				m.Parts = append(m.Parts, partSum{Name: fmt.Sprintf("%s%064x.jpg", photoFolder, i), Size: mostPart})
			}
		}, "The parts come to more than"},
	} {
		v := verified(t, resigned(t, b, testKey, func(names []string, _ map[string][]byte, _ *Manifest) []string { return names }, c.lie))
		if len(v.Faults) != 1 || v.Faults[0].Part != partManifest || !strings.Contains(v.Faults[0].Description, c.want) {
			t.Errorf("%s: %+v", name, v.Faults)
		}
	}
}

// Who has a key can sign a bundle without a part that every bundle has, or with
// another picture: it is told all the same.
func TestASignedBundleWithoutAPartIsTold(t *testing.T) {
	b := bundleOf(t, quayside(t, 60))
	names, _ := contents(t, b)
	for _, gone := range everyBundle {
		if !slices.Contains(names, gone) {
			t.Errorf("a bundle has no %s", gone)
		}
		v := verified(t, resigned(t, b, testKey, func(names []string, _ map[string][]byte, _ *Manifest) []string {
			return slices.DeleteFunc(slices.Clone(names), func(n string) bool { return n == gone })
		}))
		if len(v.Faults) != 1 || v.Faults[0].Part != gone || !strings.Contains(v.Faults[0].Description, "missing") {
			t.Errorf("without %s: %+v", gone, v.Faults)
		}
	}
	picture := ""
	for _, n := range names {
		if strings.HasPrefix(n, photoFolder) {
			picture = n
		}
	}
	v := verified(t, resigned(t, b, testKey, func(names []string, parts map[string][]byte, _ *Manifest) []string {
		parts[picture] = []byte("another picture")
		return names
	}))
	if len(v.Faults) != 1 || v.Faults[0].Part != picture || !strings.Contains(v.Faults[0].Description, "another picture") {
		t.Errorf("another picture: %+v", v.Faults)
	}
	const stray = photoFolder + "01ba4719c80b6fe911b091a7c05124b64eeece964e09c058ef8f9805daca546b.jpg" // of a line feed, by sha256sum
	v = verified(t, resigned(t, b, testKey, func(names []string, parts map[string][]byte, _ *Manifest) []string {
		parts[stray] = []byte("\n")
		return append(names, stray)
	}))
	if len(v.Faults) != 1 || v.Faults[0].Part != stray || !strings.Contains(v.Faults[0].Description, "no mark names") {
		t.Errorf("a stray picture: %+v", v.Faults)
	}
	v = verified(t, resigned(t, b, testKey, func(names []string, _ map[string][]byte, _ *Manifest) []string {
		return slices.DeleteFunc(slices.Clone(names), func(n string) bool { return n == picture })
	}))
	if len(v.Faults) != 0 || v.PhotosMissing != 1 { // the journal may not have held it
		t.Errorf("without the picture: %+v, %d missing", v.Faults, v.PhotosMissing)
	}
	v = verified(t, resigned(t, b, testKey, func(names []string, _ map[string][]byte, m *Manifest) []string {
		m.Kept = 61
		return names
	}))
	if len(v.Faults) != 1 || v.Faults[0].Part != partManifest {
		t.Errorf("chained further than there are entries: %+v", v.Faults)
	}
}

// What stands behind the chain is counted and said, on the paper and of the bundle.
func TestEntriesBehindTheChainAreCounted(t *testing.T) {
	j := quayside(t, 300)
	says := func(want ...string) {
		t.Helper()
		m := verified(t, bundleOf(t, j)).Manifest
		if got := m.Says(m.Entries); !slices.Equal(got, want) {
			t.Errorf("says %q, want %q", got, want)
		}
	}
	says(wordsProofNow)
	if err := j.Chain(t.Context()); err != nil {
		t.Fatal(err)
	}
	says(wordsProofNow) // all were there before
	add := func(n int) {
		t.Helper()
		_, at, err := j.End(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		var more []rules.Entry
		for range n {
			more = append(more, rules.Entry{At: at, Body: &rules.Told{Kind: "mark", Name: "note", Note: "seen"}})
		}
		if err := j.Append(more, nil); err != nil {
			t.Fatal(err)
		}
	}
	add(5000)
	if err := j.Chain(t.Context()); err != nil {
		t.Fatal(err)
	}
	const late = "The first 300 entries were chained later than they came: nothing proves that none of them was changed in between."
	says(late)
	add(2)
	m := verified(t, bundleOf(t, j)).Manifest
	if m.Behind(m.Entries) != 2 || m.Late != 300 || m.Kept != 5300 || m.Since == "" || m.Since != m.To {
		t.Errorf("%+v", m)
	}
	says(late, "The last 2 entries, come since "+m.To+","+wordsProofBehind)
	if got := (Chained{Kept: 9}).Says(10); len(got) != 1 || got[0] != "The last 1 entry"+wordsProofBehind {
		t.Errorf("%q", got)
	}
}

// busyboxOnly is a folder in which every tool is a small one, but for those that are not in it.
func busyboxOnly(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for _, tool := range []string{"busybox", "openssl", "zipinfo", "unzip", "awk", "cat", "cut", "grep", "mkdir", "mktemp", "rm", "sed", "sha256sum", "sort", "tr", "uniq", "wc"} {
		at := tool
		if tool != "openssl" && tool != "unzip" && tool != "zipinfo" {
			at = "busybox"
		}
		path, err := exec.LookPath(at)
		if err != nil {
			t.Fatalf("%v; deploy/needs paper installs what it needs", err)
		}
		if err := os.Symlink(path, filepath.Join(dir, tool)); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// The script that lies in each bundle comes to the same by programs that are
// none of ours: this is what is left where no standwatch runs any more.
func TestRealScriptOfTheBundleChecksIt(t *testing.T) {
	j := quayside(t, 9000)
	whole := bundleOf(t, j)
	_, parts := contents(t, whole)
	if !bytes.Equal(parts[partScript], checkScript) {
		t.Error("the bundle has another script")
	}
	dir := t.TempDir()
	script := filepath.Join(dir, partScript)
	if err := os.WriteFile(script, parts[partScript], 0o600); err != nil {
		t.Fatal(err)
	}
	small := busyboxOnly(t)
	if out, err := exec.Command("dash", script).CombinedOutput(); err == nil || !strings.Contains(string(out), "NOT checked: say which bundle") {
		t.Errorf("without a bundle it says %s (%v)", out, err)
	}
	run := func(b []byte, more ...string) (out string, ok bool) {
		t.Helper()
		file := filepath.Join(dir, "bundle.zip")
		if err := os.WriteFile(file, b, 0o600); err != nil {
			t.Fatal(err)
		}
		for i, shell := range [][]string{{"dash"}, {"bash", "--posix"}, {"busybox", "sh"}} {
			cmd := exec.Command(shell[0], slices.Concat(shell[1:], []string{script, file}, more)...)
			if shell[0] == "busybox" {
				cmd.Env = append(os.Environ(), "PATH="+small)
			}
			said, err := cmd.CombinedOutput()
			if _, exit := err.(*exec.ExitError); err != nil && !exit {
				t.Fatalf("%v; deploy/needs paper installs what it needs", err)
			}
			if i > 0 && (string(said) != out || (err == nil) != ok) {
				t.Fatalf("%s says %q, the shell before it %q", shell, said, out)
			}
			out, ok = string(said), err == nil
		}
		return out, ok
	}
	for _, paper := range []string{"", testKey.Fingerprint(), strings.ToUpper(testKey.Fingerprint())} {
		if out, ok := run(whole, paper); !ok || !strings.Contains(out, "Intact: 14 parts, 9000 entries.") || !strings.Contains(out, strings.ReplaceAll(testKey.Fingerprint(), " ", "")) {
			t.Errorf("%q: %t, %s", paper, ok, out)
		}
	}
	for _, n := range []int{1, 4095, 4096, 4097} {
		if out, ok := run(bundleOf(t, quayside(t, max(n, 8)))); !ok {
			t.Errorf("%d entries: %s", n, out)
		}
	}
	replace := func(part, old, new string) func([]string, map[string][]byte) []string {
		return func(names []string, parts map[string][]byte) []string {
			was := parts[part]
			if parts[part] = bytes.Replace(was, []byte(old), []byte(new), 1); bytes.Equal(was, parts[part]) {
				t.Fatalf("%s has no %q", part, old)
			}
			return names
		}
	}
	for what, c := range map[string]struct {
		b    []byte
		says string
	}{
		"an entry":        {rezipped(t, whole, replace(partEntries, "evacuation", "evacuatiom")), "entries.jsonl: it was changed"},
		"the record":      {rezipped(t, whole, replace("record.html", "The", "Our")), "record.html: it was changed"},
		"the manifest":    {rezipped(t, whole, replace(partManifest, "9000", "9001")), "its signature does not fit"},
		"the signature":   {rezipped(t, whole, replace(partSigned, "a", "b")), "its signature does not fit"},
		"cut off":         {whole[:len(whole)-3000], "NOT intact"},
		"another program": {[]byte("no zip"), "NOT intact"},
		"a part missing": {rezipped(t, whole, func(n []string, _ map[string][]byte) []string {
			return slices.DeleteFunc(n, func(s string) bool { return s == "record.csv" })
		}), "record.csv: it is missing"},
		"a part added": {rezipped(t, whole, func(n []string, p map[string][]byte) []string {
			p["more.txt"] = []byte("more")
			return append(n, "more.txt")
		}), "more.txt: it was added"},
		"a part from outside": {rezipped(t, whole, func(n []string, p map[string][]byte) []string {
			p["../more.txt"] = []byte("more")
			return append(n, "../more.txt")
		}), "a part that no bundle has"},
		"a part twice": {rezipped(t, whole, func(n []string, _ map[string][]byte) []string { return append(n, "record.csv") }), "there twice"},
		"a link, signed anew": {resigned(t, whole, testKey, func(n []string, p map[string][]byte, _ *Manifest) []string {
			return replace(partEntries, "evacuation", "evacuatiom")(n, p)
		}), "the link of entries 1 to 4096 is broken"},
		"an end cut off, signed anew": {resigned(t, whole, testKey, func(n []string, p map[string][]byte, _ *Manifest) []string {
			lines := bytes.SplitAfter(p[partChain], []byte("\n"))
			p[partChain] = bytes.Join(lines[:2], nil)
			return n
		}), "other entries than chain.txt"},
	} {
		if out, ok := run(c.b); ok || !strings.Contains(out, c.says) {
			t.Errorf("%s: %t, %s, want %q", what, ok, out, c.says)
		}
		if v := verified(t, c.b); len(v.Faults) == 0 {
			t.Errorf("%s: ours says that it is intact", what)
		}
	}
	if out, ok := run(whole, strings.Replace(testKey.Fingerprint(), "2", "3", 1)); ok || !strings.Contains(out, "another key") {
		t.Errorf("another paper: %t, %s", ok, out)
	}
}
