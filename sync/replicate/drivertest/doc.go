// Package drivertest holds what every driver of package replicate must keep, as tests: a driver for another transport plugs in here first. It is for tests.
package drivertest
