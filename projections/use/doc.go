// Package use compares what was really used with what the specs say, and proposes the line of a spec that would put it right.
//
// Of each item the intervals between counts, at least three, say what the specs made of it (used) and what really went (used + unknown). One ratio is fitted
// to all of them by generalised least squares with the noise of counts and of handling; package noise has the model and its sources. Usual waste, which all
// items have, is in the ratio and is no reason to change a spec.
//
// A second term, a loss per day, is taken in only where the counts can tell the two apart; else the report says "drift or steady loss: can't be told apart yet".
//
// A proposal goes to the line that makes up most of the item's use, in the specs in force. It takes the whole difference, since nothing says which of
// several lines is wrong. It is made only if the ratio's interval excludes 1, and the usual waste, and if it moves the line by a piece, or by 2 % or more. Of
// items counted in pieces a whole number is proposed if one lies within its bounds.
//
// Print runs are compared with the spoilage that their make spec calls normal: runs beyond their control limit stand by themselves, the others say what is usual.
package use
