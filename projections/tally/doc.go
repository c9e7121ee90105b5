// Package tally answers what there is to count, in walking order, and which counts were taken together.
package tally
