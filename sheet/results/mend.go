package results

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"path"
	"slices"
	"strconv"
	"strings"

	"fourwire/report/workbook"
)

// mend corrects what the library does not do well in the parts that were added: charts, the page layout of tabs, and the kind of
// cells with a formula. The user's other parts are left alone.
func (c *copybook) mend(raw []byte) ([]byte, error) {
	original := c.book.Data
	theirs := map[string]bool{}
	before, err := zip.NewReader(bytes.NewReader(original), int64(len(original)))
	if err != nil {
		return nil, err
	}
	for _, f := range before.File {
		theirs[f.Name] = true
	}
	in, err := zip.NewReader(bytes.NewReader(raw), int64(len(raw)))
	if err != nil {
		return nil, err
	}
	tab, err := partOf(in, c.book.Table.Tab)
	if err != nil {
		return nil, err
	}
	var charts []int // numbers of ours
	number := func(name string) int {
		n, err := strconv.Atoi(strings.TrimSuffix(strings.TrimPrefix(name, "xl/charts/chart"), ".xml"))
		if err != nil || theirs[name] {
			return 0
		}
		return n
	}
	for _, f := range in.File {
		if n := number(f.Name); n > 0 {
			charts = append(charts, n)
		}
	}
	slices.Sort(charts)
	return workbook.Repack(raw, func(name string, part []byte) []byte {
		switch n := number(name); {
		case n > 0:
			k := slices.Index(charts, n)
			return workbook.CorrectChart(part, k < len(c.logX) && c.logX[k])
		case name == tab:
			return numbers(part, c.worked)
		case strings.HasPrefix(name, "xl/worksheets/sheet") && !theirs[name]:
			return workbook.FitToPage(part)
		}
		return part
	})
}

// numbers says of cells with a formula that their value is a number: the library calls every one a text (ECMA-376, part 1, 18.18.11).
func numbers(tab []byte, cells []string) []byte {
	text := string(tab)
	for _, at := range cells {
		from := strings.Index(text, `<c r="`+at+`"`)
		if from < 0 {
			continue
		}
		end := from + strings.IndexByte(text[from:], '>')
		text = text[:from] + strings.Replace(text[from:end], ` t="str"`, "", 1) + text[end:]
	}
	return []byte(text)
}

// partOf finds the part of the file that holds a tab.
func partOf(in *zip.Reader, tab string) (string, error) {
	var book struct {
		Sheets []struct {
			Name string `xml:"name,attr"`
			ID   string `xml:"http://schemas.openxmlformats.org/officeDocument/2006/relationships id,attr"`
		} `xml:"sheets>sheet"`
	}
	var relations struct {
		List []struct {
			ID     string `xml:"Id,attr"`
			Target string `xml:"Target,attr"`
		} `xml:"Relationship"`
	}
	for _, f := range in.File {
		into := map[string]any{"xl/workbook.xml": &book, "xl/_rels/workbook.xml.rels": &relations}[f.Name]
		if into == nil {
			continue
		}
		data, err := workbook.Unpack(f)
		if err != nil {
			return "", err
		}
		if err := xml.Unmarshal(data, into); err != nil {
			return "", err
		}
	}
	for _, s := range book.Sheets {
		for _, r := range relations.List {
			if s.Name == tab && r.ID == s.ID {
				return strings.TrimPrefix(path.Join("/xl", r.Target), "/"), nil
			}
		}
	}
	return "", nil
}
