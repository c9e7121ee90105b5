package pages

// recordingPages are the forms that record facts.
var recordingPages []route
