package workbook

import (
	"archive/zip"
	"bytes"
	"io"
	"sort"
	"strings"
)

const contentTypes = "[Content_Types].xml"

// settle orders the parts of the file, so that the same content gives the same bytes, and corrects the charts: the library
// declares the X values of scatter charts as texts.
func settle(raw []byte) ([]byte, error) {
	in, err := zip.NewReader(bytes.NewReader(raw), int64(len(raw)))
	if err != nil {
		return nil, err
	}
	files := append([]*zip.File(nil), in.File...)
	sort.Slice(files, func(i, j int) bool { return partOrder(files[i].Name) < partOrder(files[j].Name) })
	var out bytes.Buffer
	w := zip.NewWriter(&out)
	for _, f := range files {
		part, err := f.Open()
		if err != nil {
			return nil, err
		}
		data, err := io.ReadAll(part)
		part.Close()
		if err != nil {
			return nil, err
		}
		switch {
		case f.Name == contentTypes:
			data = sortEntries(sortEntries(data, "Default"), "Override")
		case strings.HasPrefix(f.Name, "xl/charts/chart"):
			data = numericX(data)
		}
		to, err := w.CreateHeader(&zip.FileHeader{Name: f.Name, Method: zip.Deflate})
		if err != nil {
			return nil, err
		}
		if _, err := to.Write(data); err != nil {
			return nil, err
		}
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// partOrder puts the list of content types first, where readers look for it.
func partOrder(name string) string {
	if name == contentTypes {
		return ""
	}
	return name
}

// numericX turns <xVal><strRef> into <xVal><numRef>.
func numericX(chart []byte) []byte {
	text := string(chart)
	var b strings.Builder
	for {
		before, rest, ok := strings.Cut(text, "xVal>")
		b.WriteString(before)
		if !ok {
			return []byte(b.String())
		}
		inside, after, closed := strings.Cut(rest, "xVal>")
		b.WriteString("xVal>")
		if closed {
			inside = strings.ReplaceAll(strings.ReplaceAll(inside, "strRef>", "numRef>"), "strCache>", "numCache>")
			b.WriteString(inside)
			b.WriteString("xVal>")
			text = after
			continue
		}
		text = inside
	}
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
