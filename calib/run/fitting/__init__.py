"""All that is estimated for one frame: `fit` calls the stages' estimates in the order in which each can be known.

What of the strips cannot be used is left out in one of five ways. Later stages need not know which: in the end all of
it is lost samples in the strip's `Dropouts`, whose `blocks` keep the reasons; `strip_warnings` says them.

What the tape dropped, lines whose picture has slipped, samples that stand still: found by `look_for_lost` when a strip
    is first looked at. They stay in it.
Lines that show other film than the strips beside them: `tone.strange_lines` finds them in the fits, `strange` puts them
    among the `Dropouts`, and all is fitted once more.
Lines that a damaged file has lost: `StripRaster` reads them as zeros and tells them as `unread`; `damage` says them.
Lines with a bit that stands still, or of inverted video (`spoilt_lines`, which says them), and film that is missing or
    comes twice (`sweep.line_breaks`; `damage` says it): the strip is made anew of `pieces` of its file, and is looked
    at again. Lines between the pieces are unread as well. Only missing or doubled film moves the lines behind it.
Strips that are not what they are said to be, or that no file holds: `first_places` counts all of their samples as lost
    and gives each a `LeftOut`, of which nothing is said but why.
"""
