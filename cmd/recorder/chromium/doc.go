// Package chromium starts a real browser for tests and runs what they ask in its pages.
package chromium
