// Package browser drives the recorder as a person with a phone would: a Chromium of a phone's size in which things are found by what they are called, touched
// and typed into, and a wire to the desk that can be cut and held up. The screenshots and the tests of the recorder use it.
//
// Nothing here reaches into the page: a name is what a screen reader would say (an element's label or text), and what isn't visible can't be touched.
package browser
