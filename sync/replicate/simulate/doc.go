// Package simulate lets several replicas of a shop live through a schedule of accidents, and checks that nothing that was promised is broken. It is for tests.
package simulate
