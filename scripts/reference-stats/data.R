# Writes the open data sets that R ships into the current folder.
suppressMessages(library(survival))
write.csv(infert[, c("stratum", "case", "spontaneous", "induced")], "infert.csv", row.names = FALSE, quote = FALSE)
breaks <- transform(warpbreaks, wool = as.integer(wool == "B"), medium = as.integer(tension == "M"), high = as.integer(tension == "H"))
breaks$exposure <- rep(c(1, 2, 3, 4, 5, 6), 9)  # made: to check the offset
write.csv(breaks[, c("breaks", "exposure", "wool", "medium", "high")], "warpbreaks.csv", row.names = FALSE, quote = FALSE)
# Age is the time scale: entry at diagnosis. Cause 1: plasma cell malignancy, 2: death without it, 0: censored.
m <- mgus2
etime <- with(m, ifelse(pstat == 0, futime, ptime))
event <- with(m, ifelse(pstat == 0, 2 * death, 1))
etime[etime == 0] <- 0.5
write.csv(data.frame(entry = m$age * 12, exit = m$age * 12 + etime, cause = event), "mgus.csv", row.names = FALSE, quote = FALSE)
