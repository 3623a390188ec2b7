"""The review: outcomes, facts and profile in; findings, accounts and explanations out."""
