package sheet

import (
	"bytes"
	"fmt"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
)

// Encodings that a file may be in. The empty Encoding is found out from the file.
const (
	UTF8        = "utf-8"
	UTF16LE     = "utf-16le"
	UTF16BE     = "utf-16be"
	Windows1252 = "windows-1252"
)

var encodings = []string{UTF8, UTF16LE, UTF16BE, Windows1252}

var boms = []struct{ mark, encoding string }{{"\xef\xbb\xbf", UTF8}, {"\xff\xfe", UTF16LE}, {"\xfe\xff", UTF16BE}}

// decode turns a file into UTF-8 without a byte order mark and says which encoding it took the file for.
func decode(file []byte, encoding string) (text []byte, taken string, err error) {
	for _, b := range boms {
		if rest, ok := bytes.CutPrefix(file, []byte(b.mark)); ok && (encoding == "" || encoding == b.encoding) {
			file, encoding = rest, b.encoding
			break
		}
	}
	if encoding == "" {
		encoding = sniffEncoding(file)
	}
	switch encoding {
	case UTF8:
		if !utf8.Valid(file) {
			return nil, encoding, fmt.Errorf("line %d is not UTF-8; say encoding = windows-1252 in the map, or save the file again as UTF-8", badLine(file))
		}
		return file, encoding, nil
	case UTF16LE, UTF16BE:
		text, err = decode16(file, encoding)
	case Windows1252:
		text, err = charmap.Windows1252.NewDecoder().Bytes(file)
		if i := bytes.Index(text, []byte("\uFFFD")); err == nil && i >= 0 {
			err = fmt.Errorf("line %d is neither UTF-8 nor Windows-1252; save the file again as UTF-8", 1+bytes.Count(text[:i], []byte("\n")))
		}
	default:
		err = fmt.Errorf("%q is not an encoding known here; it can be one of %s", clip(encoding), join(encodings))
	}
	return text, encoding, err
}

func decode16(file []byte, encoding string) ([]byte, error) {
	order, lost := unicode.LittleEndian, []byte{0xfd, 0xff}
	if encoding == UTF16BE {
		order, lost = unicode.BigEndian, []byte{0xff, 0xfd}
	}
	if len(file)%2 != 0 {
		return nil, fmt.Errorf("the file is cut off: %s has two bytes a character, and this is an odd number of bytes; export it again", encoding)
	}
	text, err := unicode.UTF16(order, unicode.IgnoreBOM).NewDecoder().Bytes(file)
	if err != nil {
		return nil, fmt.Errorf("the file is not %s: %w", encoding, err)
	}
	// A half of a pair without its other half decodes to U+FFFD. One that stood in the file is let through.
	stood := 0
	for i := 0; i < len(file); i += 2 {
		if file[i] == lost[0] && file[i+1] == lost[1] {
			stood++
		}
	}
	if n := bytes.Count(text, []byte("\uFFFD")); n > stood {
		return nil, fmt.Errorf("the file is not valid %s; save it again as UTF-8", encoding)
	}
	return text, nil
}

// sniffEncoding tells encodings without a byte order mark apart. Text of Latin letters in UTF-16 has a zero in every second byte, valid UTF-8
// is hardly ever anything else (both common practice); the rest is Windows-1252, in which almost any bytes are text.
func sniffEncoding(file []byte) string {
	part := file[:min(len(file), 64<<10)&^1]
	var zero [2]int
	for i, b := range part {
		if b == 0 {
			zero[i%2]++
		}
	}
	half := len(part) / 2
	switch {
	case half > 0 && zero[1] > half/2 && zero[0] < half/8:
		return UTF16LE
	case half > 0 && zero[0] > half/2 && zero[1] < half/8:
		return UTF16BE
	case utf8.Valid(file):
		return UTF8
	}
	return Windows1252
}

// badLine is the line of the first byte that is not UTF-8.
func badLine(file []byte) int {
	at := 0
	for at < len(file) {
		r, n := utf8.DecodeRune(file[at:])
		if r == utf8.RuneError && n == 1 {
			break
		}
		at += n
	}
	return 1 + bytes.Count(file[:at], []byte("\n"))
}

// checkControls refuses control characters other than tabs and line ends.
func checkControls(text []byte) error {
	for i, b := range text {
		r := rune(b)
		switch {
		case b >= 0x20 && b < 0x7f, b > 0x7f && b != 0xc2, b == '\t', b == '\n', b == '\r':
			continue
		case b == 0xc2:
			if r, _ = utf8.DecodeRune(text[i:]); r > 0x9f {
				continue
			}
		}
		line := 1 + bytes.Count(text[:i], []byte("\n"))
		return fmt.Errorf("line %d holds the control character U+%04X; remove it, or say the right encoding in the map", line, r)
	}
	return nil
}
