package workbook

import (
	"archive/zip"
	"bytes"
	"io"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"
)

const contentTypes = "[Content_Types].xml"

// settle orders the parts of the file, so that the same content gives the same bytes, and corrects the charts. logX says which
// of them, in order, have a logarithmic X axis.
func settle(raw []byte, logX []bool) ([]byte, error) {
	return Repack(raw, func(name string, part []byte) []byte {
		switch {
		case name == contentTypes:
			return sortEntries(sortEntries(part, "Default"), "Override")
		case strings.HasPrefix(name, "xl/worksheets/sheet"):
			return formulaNumbers(fitToPage(part))
		case strings.HasPrefix(name, "xl/charts/chart"):
			number, err := strconv.Atoi(strings.TrimSuffix(strings.TrimPrefix(name, "xl/charts/chart"), ".xml"))
			return correctChart(part, err == nil && number >= 1 && number <= len(logX) && logX[number-1])
		}
		return part
	})
}

// Repack writes the parts of a workbook file anew, in the order of their names, each as edit leaves it.
func Repack(raw []byte, edit func(name string, part []byte) []byte) ([]byte, error) {
	in, err := zip.NewReader(bytes.NewReader(raw), int64(len(raw)))
	if err != nil {
		return nil, err
	}
	files := slices.Clone(in.File)
	slices.SortFunc(files, func(a, b *zip.File) int { return strings.Compare(partOrder(a.Name), partOrder(b.Name)) })
	var out bytes.Buffer
	w := zip.NewWriter(&out)
	for _, f := range files {
		part, err := Unpack(f)
		if err != nil {
			return nil, err
		}
		to, err := w.CreateHeader(&zip.FileHeader{Name: f.Name, Method: zip.Deflate})
		if err != nil {
			return nil, err
		}
		if _, err := to.Write(edit(f.Name, part)); err != nil {
			return nil, err
		}
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// Unpack reads one part of a workbook file.
func Unpack(f *zip.File) ([]byte, error) {
	part, err := f.Open()
	if err != nil {
		return nil, err
	}
	defer part.Close()
	return io.ReadAll(part)
}

// fitToPage restores what the library loses of a sheet that is streamed: that its page layout is to be kept to (ECMA-376, part 1, 18.3.1.65).
func fitToPage(sheet []byte) []byte {
	const root = "<worksheet"
	start := bytes.Index(sheet, []byte(root))
	if start < 0 || bytes.Contains(sheet, []byte("<sheetPr")) || !bytes.Contains(sheet, []byte("fitToWidth=")) {
		return sheet
	}
	end := start + bytes.IndexByte(sheet[start:], '>') + 1
	return slices.Concat(sheet[:end], []byte(`<sheetPr><pageSetUpPr fitToPage="1"></pageSetUpPr></sheetPr>`), sheet[end:])
}

var textFormula = regexp.MustCompile(`(<c r="[A-Z]+[0-9]+"(?: s="[0-9]+")?) t="str"(><f>[^<]*</f><v>-?[0-9][0-9.]*(?:[eE][+-]?[0-9]+)?</v>)`)

// formulaNumbers says of cells whose formula gives a number that it is one: the library calls every result a text, which programs
// that do not calculate then show as such (ECMA-376, part 1, 18.18.11).
func formulaNumbers(sheet []byte) []byte {
	return textFormula.ReplaceAll(sheet, []byte("$1$2"))
}

// partOrder puts the list of content types first, where readers look for it.
func partOrder(name string) string {
	if name == contentTypes {
		return ""
	}
	return name
}

// correctChart mends what the library does not do for scatter charts (ECMA-376, part 1, 21.2): X values are numbers and no
// texts, the X axis may be logarithmic and has no parts of a category axis, lines go straight from point to point, and the
// axes cross at their low ends.
func correctChart(chart []byte, logX bool) []byte {
	text := string(chart)
	var b strings.Builder
	for i, piece := range strings.SplitAfter(text, "xVal>") {
		if i%2 == 1 { // inside an xVal
			piece = strings.NewReplacer("strRef>", "numRef>", "strCache>", "numCache>").Replace(piece)
		}
		b.WriteString(piece)
	}
	text = strings.NewReplacer(
		`<scatterStyle val="smoothMarker">`, `<scatterStyle val="lineMarker">`,
		`<crosses val="autoZero">`, `<crosses val="min">`,
		`<crossBetween val="between">`, `<crossBetween val="midCat">`,
	).Replace(b.String())
	if from, to := strings.Index(text, "<auto val="), strings.Index(text, "</noMultiLvlLbl>"); from > 0 && to > from {
		text = text[:from] + `<crossBetween val="midCat"></crossBetween>` + text[to+len("</noMultiLvlLbl>"):]
	}
	if logX {
		text = strings.Replace(text, "<scaling>", `<scaling><logBase val="10"></logBase>`, 1) // the X axis comes first
	}
	return []byte(text)
}

// sortEntries sorts the neighbouring elements of one name, which the library writes in any order.
func sortEntries(list []byte, element string) []byte {
	text, open, end := string(list), "<"+element+" ", "</"+element+">"
	first, last := strings.Index(text, open), strings.LastIndex(text, end)
	if first < 0 || last < first {
		return list
	}
	entries := strings.SplitAfter(text[first:last+len(end)], end)
	sort.Strings(entries)
	return []byte(text[:first] + strings.Join(entries, "") + text[last+len(end):])
}
