"""What every report says about its own limits."""

from __future__ import annotations

__all__ = [
    "CAUTIONS",
    "FIRST_CAUTIONS",
    "FIRST_UNREFERENCED",
    "FOOTER",
    "NOT_STATED",
    "OF_SEATING",
    "UNREFERENCED_CAUTIONS",
]

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

NOT_STATED = (
    "Trueness, bias and conformity with a limit are not stated: no reference says what the "
    "distances are, and an error that all scans have in common, such as a wrong scale, does not "
    "show. A model measured on a coordinate measuring machine would add them, from the same "
    "scans, with the span up to which a limit is kept."
)
"""What a report without a reference cannot say, and what a measured model would add."""

FIRST_UNREFERENCED = (
    "These are bench scans: expect larger scatter in the mouth. Scans that agree with each other "
    "can all be wrong in the same way. Whether a prosthesis fits is verified on the patient. More "
    "under Limits of use."
)
"""The most important cautions of a report without a reference."""

UNREFERENCED_CAUTIONS = (
    "Scans were compared with each other only. Small scatter does not show that distances are "
    "right: an error that all scans have in common is in none of these numbers.",
    *CAUTIONS[:3],
    "The scans were taken on the bench. In the mouth, with saliva, movement, soft tissue and "
    "little room, larger scatter is to be expected.",
    "No statement in this report is a claim of agreement with a standard for testing scanning "
    "devices. Words of ISO 5725 are used in the meaning that it gives them.",
    *CAUTIONS[-2:],
)
"""The cautions of a report without a reference."""

FOOTER = "Evaluation of a measuring workflow. Not a medical device, not a clinical decision."
