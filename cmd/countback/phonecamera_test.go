package main

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	qr "github.com/piglig/go-qr"
	scale "golang.org/x/image/draw"

	"countback/cmd/recorder/browser"
	"countback/cmd/recorder/tour"
)

// detector stands in for the browser's own reader of codes, which Chromium has on phones and on some desks alone. It hands what the camera shows to the test,
// and says what the test reads there.
const detector = `globalThis.BarcodeDetector = class {
	static async getSupportedFormats() { return ["qr_code", "ean_13"]; }
	constructor({ formats }) { if (!formats.includes("qr_code") || formats.includes("upc_a")) throw new TypeError("formats that weren't offered"); }
	async detect(video) {
		if (!(video instanceof HTMLVideoElement) || video.videoWidth === 0) throw new DOMException("there is no picture", "InvalidStateError");
		const canvas = new OffscreenCanvas(video.videoWidth, video.videoHeight);
		canvas.getContext("2d").drawImage(video, 0, 0);
		const bytes = new Uint8Array(await (await canvas.convertToBlob()).arrayBuffer());
		let text = "";
		for (const b of bytes) text += String.fromCharCode(b);
		globalThis.frame = btoa(text);
		const read = await new Promise((answer) => { globalThis.answer = answer; });
		globalThis.frame = "";
		return read === "" ? [] : [{ rawValue: read, format: "qr_code" }];
	}
};`

// lens is the cart with a phone whose camera shows a picture.
type lens struct {
	*cart
	film string
}

const filmWidth, filmHeight = 640, 480

// newLens switches a phone on whose camera may be used.
func newLens(t *testing.T, data string) *lens {
	t.Helper()
	c := newCart(t, data)
	c.Close()
	l := &lens{c, filepath.Join(t.TempDir(), "film.y4m")}
	l.show(image.White)
	c.begin("use-fake-device-for-media-stream", "use-fake-ui-for-media-stream", "use-file-for-fake-video-capture="+l.film)
	c.do(c.EachTime(detector))
	return l
}

// show puts a picture before the camera, which sees it when it is switched on the next time. The film is uncompressed: YUV4MPEG2, luma 16 to 235.
func (l *lens) show(picture image.Image) {
	l.t.Helper()
	frame := image.NewGray(image.Rect(0, 0, filmWidth, filmHeight))
	draw.Draw(frame, frame.Bounds(), image.NewUniform(color.Gray{200}), image.Point{}, draw.Src)
	if size := picture.Bounds().Size(); size.X < 1<<20 { // an image of one colour has no end
		height := filmHeight - 40
		width := size.X * height / size.Y
		if width > filmWidth-40 {
			width, height = filmWidth-40, size.Y*(filmWidth-40)/size.X
		}
		at := image.Pt((filmWidth-width)/2, (filmHeight-height)/2)
		scale.BiLinear.Scale(frame, image.Rect(at.X, at.Y, at.X+width, at.Y+height), picture, picture.Bounds(), draw.Src, nil)
	}
	var film bytes.Buffer
	fmt.Fprintf(&film, "YUV4MPEG2 W%d H%d F10:1 Ip A1:1 C420jpeg\n", filmWidth, filmHeight)
	chroma := bytes.Repeat([]byte{128}, filmWidth*filmHeight/2)
	for range 10 {
		film.WriteString("FRAME\n")
		for _, v := range frame.Pix {
			film.WriteByte(byte(16 + int(v)*219/255))
		}
		film.Write(chroma)
	}
	l.do(os.WriteFile(l.film, film.Bytes(), 0o600))
}

// reads waits until the camera's picture can be read, and tells the page what stands there. Without a code in sight it only shows that nothing is read.
func (l *lens) reads(want string) {
	l.t.Helper()
	for end := time.Now().Add(time.Minute); time.Now().Before(end); {
		l.do(l.Until("the camera's picture", "!!globalThis.frame"))
		frame, err := browser.Eval[string](l.Phone, "globalThis.frame")
		l.do(err)
		raw, err := base64.StdEncoding.DecodeString(frame)
		l.do(err)
		picture, err := png.Decode(bytes.NewReader(raw))
		l.do(err)
		got, err := qr.Decode(picture)
		if err != nil {
			got = ""
		}
		_, err = browser.Eval[bool](l.Phone, fmt.Sprintf("globalThis.frame = '', globalThis.answer(%q), true", got))
		l.do(err)
		if got == want {
			return
		}
		if got != "" {
			l.t.Fatalf("the camera reads %q, not %q", got, want)
		}
	}
	l.t.Fatalf("the camera never reads %q", want)
}

// code is a text as a code to scan.
func code(t *testing.T, text string) image.Image {
	t.Helper()
	c, err := qr.EncodeText(text, qr.Medium)
	if err != nil {
		t.Fatal(err)
	}
	const quiet, dot = 4, 8
	n := c.Size() + 2*quiet
	img := image.NewGray(image.Rect(0, 0, n*dot, n*dot))
	draw.Draw(img, img.Bounds(), image.White, image.Point{}, draw.Src)
	for y := range c.Size() {
		for x := range c.Size() {
			if c.Module(x, y) {
				draw.Draw(img, image.Rect((x+quiet)*dot, (y+quiet)*dot, (x+quiet+1)*dot, (y+quiet+1)*dot), image.Black, image.Point{}, draw.Src)
			}
		}
	}
	return img
}

// A phone joins by scanning the desk's code, and finds items by scanning the labels that were printed and a supplier's barcode, all with its camera.
func TestScanningWithTheCamera(t *testing.T) {
	l := newLens(t, paperShop(t))
	c := l.cart
	link, digits := c.pairing()
	l.show(code(t, c.at(link)))
	c.do(c.Open(c.at("")), c.Ready(), c.Tap("Scan the desk's code"))
	l.reads(c.at(link))
	c.do(tour.Digits(c.Phone, "camera", digits, func(string) error { return nil }), c.Tap("To the items"), c.See("Board stiffener"))

	// Labels as they come out of the printer, for this phone's address.
	file := filepath.Join(t.TempDir(), "labels.pdf")
	onFolder(t, c.data, "labels", "seal", "--door", strings.TrimSuffix(c.at(""), "/"), "--size", "70x37", "--pdf", file)
	doc, err := os.ReadFile(file)
	c.do(err)
	page := printed(t, doc, 210, 297)[0]
	l.show(page.SubImage(image.Rect(0, 0, 70*dots, 37*dots)))
	c.do(c.Tap("Scan"))
	l.reads(c.at("#item/seal"))
	c.do(c.See("Paper seal"), c.Keys("7"), c.Tap("Count"), c.See("Recorded"))

	// A label whose address is an old one of the desk opens its item all the same.
	l.show(code(t, "https://192.0.2.7:8743/#item/cord"))
	c.do(c.Go("#items"), c.Tap("Scan"))
	l.reads("https://192.0.2.7:8743/#item/cord")
	c.do(c.See("Cotton cord"))

	// A barcode that nothing has yet, and the second time it finds its item.
	l.show(code(t, "4006381333931"))
	c.do(c.Go("#items"), c.Tap("Scan"))
	l.reads("4006381333931")
	c.do(c.See("No item has this code yet"), c.Tap("Board stiffener"), c.Tap("Remember"), c.See("Remembered"))
	c.do(c.Go("#items"), c.Tap("Scan"))
	l.reads("4006381333931")
	c.do(c.See("Board stiffener"), c.See("How much"))

	// Nothing in sight: the number is typed there; or the person gives up, and the camera is off.
	l.show(image.White)
	c.do(c.Go("#items"), c.Tap("Scan"), c.See("Hold the code into the picture"))
	l.reads("")
	c.do(c.Type("Or type the number below the bars", "4006381333931"), c.Tap("Take this number"), c.See("How much"))
	c.do(c.Go("#items"), c.Tap("Scan"))
	l.reads("")
	c.do(c.Tap("Close"), c.Gone("Hold the code into the picture"), c.Until("the camera's picture is gone", `!document.querySelector("video")`))
	c.holds("camera", []string{`count {"item":"seal","qty":"7"}`, `item {"barcode":"4006381333931","item":"board"}`})
}
