"""What every report says about its own limits."""

from __future__ import annotations

__all__ = ["CAUTIONS", "FIRST_CAUTIONS", "FOOTER", "OF_SEATING"]

OF_SEATING = (
    "Predicted gaps take framework and implants as rigid and perfectly made; manufacture, "
    "preload, bone and soft tissue are not in them."
)
"""What to bear in mind where gaps are shown."""

CAUTIONS = (
    "This report evaluates a measuring workflow. It is not a medical device, and it does not "
    "replace clinical judgement.",
    "Whether a prosthesis fits is verified on the patient, by licensed practitioners and under "
    "the rules that hold locally.",
    "The results hold for the models, devices, software versions, scan bodies, operators, "
    "conditions and period that were studied, and for no others.",
    "The scans were taken on the bench. In the mouth, with saliva, movement, soft tissue and "
    "little room, larger deviations are to be expected.",
    "The limits are those that the user set, with the sources stated. The literature has not "
    "agreed on any limit of misfit.",
    "No statement in this report is a claim of conformity with a standard for testing scanning "
    "devices. Words of ISO 5725 and ISO 14253-1 are used in the meaning that these give them.",
    OF_SEATING,
    "No patient's data belongs in a study. If any is found in a file or a label of this one, "
    "remove it and make the report anew.",
)
"""One caution a string; a report prints all that concern what it shows."""

FIRST_CAUTIONS = (
    "These are bench scans: expect larger deviations in the mouth. Whether a prosthesis fits is "
    "verified on the patient. The limits are the user's own. More under Limits of use."
)
"""The most important of them, for the first page."""

FOOTER = "Evaluation of a measuring workflow. Not a medical device, not a clinical decision."
