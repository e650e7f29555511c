package record

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// face is a font as a PDF embeds it: outlines, characters, widths.
type face struct {
	name   string // what it is called within the PDF
	data   []byte // one font in TrueType's own form
	font   *sfnt.Font
	buffer sfnt.Buffer
	widths map[rune]int
}

func newFace(name string, data []byte) (*face, error) {
	f, err := sfnt.Parse(data)
	if err != nil {
		return nil, err
	}
	return &face{name: name, data: data, font: f, widths: map[rune]int{}}, nil
}

// width is how far a character moves the next one, in thousandths of the
// font's size and -1 for a character that the font lacks. Thousandths are what
// the PDF itself states.
func (f *face) width(r rune) int {
	if w, ok := f.widths[r]; ok {
		return w
	}
	w := -1
	if g, err := f.font.GlyphIndex(&f.buffer, r); err == nil && g != 0 && r <= 0xffff {
		units := int(f.font.UnitsPerEm())
		if a, err := f.font.GlyphAdvance(&f.buffer, g, fixed.I(units), font.HintingNone); err == nil {
			w = (int(a.Round())*1000 + units/2) / units
		}
	}
	f.widths[r] = w
	return w
}

// Liberation Sans has Latin, Greek and Cyrillic, and figures that are all as
// wide. gonum/plot measures with it too, so the program holds it once.
func builtIn() (regular, bold *face, err error) {
	regular, err = newFace("paper", liberationsansregular.TTF)
	if err == nil {
		bold, err = newFace("paperbold", liberationsansbold.TTF)
	}
	return regular, bold, err
}

// SystemFonts are the folders in which a machine keeps its fonts.
func SystemFonts() []string {
	dirs := []string{"/usr/share/fonts", "/usr/local/share/fonts"}
	if home, err := os.UserHomeDir(); err == nil {
		dirs = append(dirs, filepath.Join(home, ".fonts"), filepath.Join(home, ".local/share/fonts"))
	}
	return dirs
}

// systemFaces finds fonts that have the wanted characters, as few as do: first
// the one that has the most of them, a plain one before a bold or slanted one,
// and of equals the first by name, so that a machine always takes the same.
func systemFaces(dirs []string, wanted []rune) []*face {
	if len(wanted) == 0 {
		return nil
	}
	type candidate struct {
		file  string
		index int
		has   []rune
		fancy int
	}
	var all []candidate
	for _, file := range fontFiles(dirs) {
		for index, have := range charactersOf(file, wanted) {
			if len(have) > 0 {
				all = append(all, candidate{file, index, have, fancy(file)})
			}
		}
	}
	var chosen []*face
	missing := slices.Clone(wanted)
	for len(missing) > 0 && len(all) > 0 {
		best, most := -1, 0
		for i, c := range all {
			n := 0
			for _, r := range c.has {
				if slices.Contains(missing, r) {
					n++
				}
			}
			if n > most || n == most && n > 0 && c.fancy < all[best].fancy {
				best, most = i, n
			}
		}
		if best < 0 {
			break
		}
		c := all[best]
		all = slices.Delete(all, best, best+1)
		f, err := loadFace(c.file, c.index, fmt.Sprintf("system%d", len(chosen)+1))
		if err != nil {
			continue // as if it were not there
		}
		chosen = append(chosen, f)
		missing = slices.DeleteFunc(missing, func(r rune) bool { return f.width(r) >= 0 })
	}
	return chosen
}

func fontFiles(dirs []string) (files []string) {
	for _, dir := range dirs {
		// A folder that cannot be read holds no font for us.
		_ = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			if err != nil {
				return nil
			}
			switch strings.ToLower(filepath.Ext(path)) {
			case ".ttf", ".ttc", ".otf":
				files = append(files, path)
			}
			return nil
		})
	}
	return files
}

func fancy(file string) (n int) {
	name := strings.ToLower(filepath.Base(file))
	for _, word := range []string{"bold", "italic", "oblique", "light", "thin", "black", "condensed", "mono", "serif"} {
		if strings.Contains(name, word) {
			n++
		}
	}
	return n
}

// charactersOf tells which of the wanted characters each font of a file has.
// It reads no more of the file than it must: a box has little memory, and a
// machine may have a thousand fonts.
func charactersOf(file string, wanted []rune) [][]rune {
	f, err := os.Open(file)
	if err != nil {
		return nil
	}
	defer f.Close()
	fonts, err := sfnt.ParseCollectionReaderAt(f)
	if err != nil {
		return nil
	}
	have := make([][]rune, fonts.NumFonts())
	for i := range have {
		one, err := fonts.Font(i)
		if err != nil {
			continue
		}
		var buffer sfnt.Buffer
		for _, r := range wanted {
			if g, err := one.GlyphIndex(&buffer, r); err == nil && g != 0 && r <= 0xffff {
				have[i] = append(have[i], r)
			}
		}
	}
	return have
}

func loadFace(file string, index int, name string) (*face, error) {
	data, err := os.ReadFile(file)
	if err == nil {
		data, err = loneFont(data, index)
	}
	if err != nil {
		return nil, err
	}
	return newFace(name, data)
}

// Tables of a font (OpenType 1.9, "Font file"): what the PDF needs, and what
// makes it print well.
var (
	neededTables = []string{"OS/2", "cmap", "glyf", "head", "hhea", "hmtx", "loca", "maxp", "post", "name"}
	usefulTables = []string{"cvt ", "fpgm", "gasp", "prep"}
)

// loneFont takes one font out of a file, which may be a collection, with the
// tables that a PDF needs. It refuses what cannot be embedded: outlines that
// are not TrueType's, a licence that forbids it, characters in no table that
// the PDF library reads.
func loneFont(data []byte, index int) ([]byte, error) {
	broken := errors.New("no whole font")
	u16 := func(at int) int {
		if at < 0 || at+2 > len(data) {
			return 0
		}
		return int(binary.BigEndian.Uint16(data[at:]))
	}
	u32 := func(at int) int {
		if at < 0 || at+4 > len(data) {
			return 0
		}
		return int(binary.BigEndian.Uint32(data[at:]) & 0x7fffffff) // no file of ours has more, and an int of the older boards has 32 bits
	}
	start := 0
	if bytes.HasPrefix(data, []byte("ttcf")) {
		if index >= u32(8) {
			return nil, broken
		}
		start = u32(12 + 4*index)
	}
	if kind := u32(start); kind != 0x00010000 && kind != 0x74727565 {
		return nil, errors.New("its outlines are not TrueType's")
	}
	tables := map[string][]byte{}
	for i := range u16(start + 4) {
		entry := start + 12 + 16*i
		at, size := u32(entry+8), u32(entry+12)
		if entry+16 > len(data) || at > len(data) || size > len(data)-at {
			return nil, broken
		}
		tables[string(data[entry:entry+4])] = data[at : at+size]
	}
	names := slices.Clone(neededTables)
	for _, name := range usefulTables {
		if len(tables[name]) > 0 {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	for _, name := range neededTables {
		if len(tables[name]) < 32 && name != "name" && name != "loca" && name != "hmtx" || len(tables[name]) == 0 {
			return nil, broken
		}
	}
	// fsType: bit 1 alone forbids embedding, bit 8 subsets, bit 9 outlines.
	if rights := binary.BigEndian.Uint16(tables["OS/2"][8:]); rights&0xf == 2 || rights&0x300 != 0 {
		return nil, errors.New("its licence forbids to embed it")
	}
	if !hasUnicodeFour(tables["cmap"]) {
		return nil, errors.New("its characters are in no table that can be read")
	}
	if binary.BigEndian.Uint16(tables["name"]) != 0 {
		tables["name"] = []byte{0, 0, 0, 0, 0, 6} // no names: nobody looks for them within a PDF
	}
	var out []byte
	out = binary.BigEndian.AppendUint32(out, 0x00010000)
	power := 0
	for 2<<power <= len(names) {
		power++
	}
	for _, v := range []int{len(names), 16 << power, power, 16*len(names) - 16<<power} {
		out = binary.BigEndian.AppendUint16(out, uint16(v))
	}
	at := 12 + 16*len(names)
	for _, name := range names {
		out = append(out, name...)
		out = binary.BigEndian.AppendUint32(out, 0) // nobody checks the sum; the subset gets its own
		out = binary.BigEndian.AppendUint32(out, uint32(at))
		out = binary.BigEndian.AppendUint32(out, uint32(len(tables[name])))
		at += (len(tables[name]) + 3) &^ 3
	}
	for _, name := range names {
		out = append(out, tables[name]...)
		for len(out)%4 != 0 {
			out = append(out, 0)
		}
	}
	return out, nil
}

// hasUnicodeFour tells whether the character table holds the form (4, for the
// first 65,536 characters of Unicode) that the PDF library reads.
func hasUnicodeFour(cmap []byte) bool {
	if len(cmap) < 4 {
		return false
	}
	for i := range int(binary.BigEndian.Uint16(cmap[2:])) {
		entry := 4 + 8*i
		if entry+8 > len(cmap) {
			return false
		}
		platform, encoding := binary.BigEndian.Uint16(cmap[entry:]), binary.BigEndian.Uint16(cmap[entry+2:])
		at := int(binary.BigEndian.Uint32(cmap[entry+4:]) & 0x7fffffff)
		if (platform == 3 && encoding == 1 || platform == 0) && at+2 <= len(cmap) && binary.BigEndian.Uint16(cmap[at:]) == 4 {
			return true
		}
	}
	return false
}
